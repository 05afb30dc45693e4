"""What every request passes before anything reads it: is it meant for us, is it small, is it one of too many?

Pure ASGI, around everything else, so that no route can forget it.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from typing import Any, Final

from broker_bridge.web.problems import MEDIA_TYPE, Problem

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY: Final = 1_000_000
"""Bytes of a request's body."""
TARGET: Final = 8_000
"""Bytes of path and query."""
_CLIENTS: Final = 10_000
_AT_ONCE: Final = 400
"""Requests that are being answered; listeners among them."""
_STREAM: Final = "/api/v1/live"

HEADERS: Final = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self';"
        " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    # `no-referrer` would make browsers send `Origin: null` with our own forms.
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
"""Sent with everything: no request leaves the host, nothing inline runs, nobody frames us."""


class Rate:
    """So many requests a minute for each address, the unused ones saved up for at most a minute."""

    def __init__(self, per_minute: int, now: Callable[[], float]) -> None:
        self._per_s, self._most, self._now = per_minute / 60, float(per_minute), now
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, client: str) -> float:
        """0 where the request may pass, else the seconds to wait."""
        now = self._now()
        left, when = self._left.pop(client, (self._most, now))
        left = min(self._most, left + (now - when) * self._per_s)
        self._left[client] = (left - 1 if left >= 1 else left, now)
        if len(self._left) > _CLIENTS:
            self._left.popitem(last=False)
        return 0.0 if left >= 1 else (1 - left) / self._per_s


class Guard:
    """Wraps an application."""

    def __init__(self, app: App, *, names: Collection[str], rate: Rate) -> None:
        """`names`: hosts this service is reached by, in lower case; a page elsewhere cannot pose as one of them."""
        self._app, self._names, self._rate = app, frozenset(names), rate
        self._open = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI 3."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                more = [
                    (name.encode(), value.encode())
                    for name, value in HEADERS.items()
                    if name.encode() not in given
                ]
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        problem = self._refused(scope)
        if problem is not None:
            await _answer(problem, with_headers)
            return
        body, begun = _Body(receive), False

        async def unless_too_large(message: Message) -> None:
            nonlocal begun
            # Whoever was reading the body has made something of his own of its broken end.
            if not body.over:
                begun = True
                await with_headers(message)

        if scope["method"] == "HEAD" and scope["path"] != _STREAM:
            scope = {**scope, "method": "GET"}  # the server leaves the body out (RFC 9110, 9.3.2)
        self._open += 1
        try:
            await self._app(scope, body.receive, unless_too_large)
        except asyncio.CancelledError:
            if begun:
                raise
            await _answer(
                Problem(503, "the service is being stopped", headers={"Retry-After": "5"}), with_headers
            )
        finally:
            self._open -= 1
        if body.over:
            await _answer(_too_large(), with_headers)

    def _refused(self, scope: Scope) -> Problem | None:
        headers = [(name.lower(), value) for name, value in scope["headers"]]
        hosts = [value.decode("latin-1") for name, value in headers if name == b"host"]
        if len(hosts) != 1 or host_of(hosts[0]) not in self._names:
            return Problem(
                421,
                f"this service is not called {', '.join(hosts)[:100]!r}; its names stand under [web] names",
            )
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > TARGET:
            return Problem(414, f"path and query are longer than {TARGET:,} bytes")
        lengths = [value for name, value in headers if name == b"content-length"]
        if any(not length.isdigit() or int(length) > BODY for length in lengths):
            return _too_large()
        if self._open >= _AT_ONCE:
            return Problem(
                503, f"{_AT_ONCE} requests are being answered: try again", headers={"Retry-After": "5"}
            )
        client = scope["client"][0] if scope.get("client") else ""
        if wait := self._rate.take(client):
            return Problem(
                429, "too many requests from this address", headers={"Retry-After": str(int(wait) + 1)}
            )
        return None


class _Body:
    """A request's body, cut off where it grows too large."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._taken = 0
        self.over = False

    async def receive(self) -> Message:
        message = await self._receive()
        self._taken += len(message.get("body", b""))
        self.over = self.over or self._taken > BODY
        return {"type": "http.disconnect"} if self.over else message


def _too_large() -> Problem:
    return Problem(413, f"the body is larger than {BODY:,} bytes")


def host_of(header: str) -> str:
    """The name in a Host header, without port, in lower case."""
    host = header.lower()
    if host.startswith("["):
        return host.partition("]")[0].removeprefix("[")
    return host.rpartition(":")[0] if ":" in host else host


async def _answer(problem: Problem, send: Send) -> None:
    import json

    body = json.dumps(problem.body()).encode()
    headers = [(b"content-type", MEDIA_TYPE.encode()), (b"content-length", str(len(body)).encode())]
    headers += [(name.lower().encode(), value.encode()) for name, value in problem.headers.items()]
    await send({"type": "http.response.start", "status": int(problem.status), "headers": headers})
    await send({"type": "http.response.body", "body": body})

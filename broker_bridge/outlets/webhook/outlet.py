"""The webhook outlet: one request an event, the CloudEvent as its body.

What an answer means: 2xx taken. 408, 425, 429, 502, 503, 504 and no answer: later. 3xx (nothing is sent to where an
answer points), 401, 403, 404, 405, 407, 410: the receiver as a whole is not as configured, so everything waits and a person is told.
500 and the other 5xx: later, and when the receiver takes other events meanwhile, after `attempts` a dead letter.
All other 4xx: this event is refused, a dead letter.
"""

import asyncio
import logging
import os
import ssl
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Final, Self

from broker_bridge.config import WebhookOutlet
from broker_bridge.errors import ConfigError, OutletUnavailable, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.base import Outgoing, Refused
from broker_bridge.outlets.webhook.chains import Chains
from broker_bridge.outlets.webhook.signing import headers, key, message_id
from broker_bridge.secret import read_secret

_LATER: Final = {408, 425, 429, 502, 503, 504}
_AS_A_WHOLE: Final = {401, 403, 404, 405, 407, 410}
_GONE_S: Final = 3600.0
"""A receiver that said 410 wants no more; it is asked again once an hour, as somebody may mend it there."""
_LONGEST_WAIT_S: Final = 3600.0
_READ: Final = 2000
"""Bytes of an answer that are read, for the reason it states."""


_Key = tuple[str, str]
"""Source and id of an event: its number changes when a record is restored."""


def _key(fact: Fact) -> _Key:
    return fact.source, fact.id


class _Later(Exception):
    """This request has to be made again; `wait_s` at the earliest."""

    def __init__(self, reason: str, wait_s: float = 0.0, *, whole: bool = True) -> None:
        super().__init__(reason)
        self.wait_s = wait_s
        self.whole = whole
        """Whether it is the receiver's trouble, not this event's."""


class Webhook:
    """One receiver."""

    wants_bodies = True
    pause_s = 0.0

    def __init__(
        self, config: WebhookOutlet, *, window: int = 200, clock: Callable[[], float] = time.time
    ) -> None:
        """Raises ConfigError for a secret that cannot be used, UsageError where the extra is not installed."""
        try:
            import httpx  # an optional package, and a heavy one
        except ImportError:
            raise UsageError("the webhook outlet needs httpx: pip install 'broker-bridge[webhook]'") from None
        logging.getLogger("httpx").setLevel(
            logging.WARNING
        )  # it would log every request with the whole address
        self.window = window
        self._httpx = httpx
        self._config = config
        self._clock = clock
        self._keys = _keys(config)
        self._chains = Chains()
        self._first = 0
        """Number of the first event of the window under way."""
        self._taken: set[_Key] = set()
        """Of that window what is confirmed: not sent again when the rest has to be."""
        self._refused: dict[_Key, Refused] = {}
        self._failures: dict[_Key, int] = {}
        """How often the receiver failed on an event."""
        self._client: httpx.AsyncClient | None = None

    async def __aenter__(self) -> Self:
        self._client = self._httpx.AsyncClient(
            follow_redirects=False,
            trust_env=False,  # neither a proxy nor a login from the environment: events go to `url`, as configured
            timeout=self._config.timeout_s,
            verify=_verified_by(self._config),
            limits=self._httpx.Limits(max_connections=self._config.at_once),
            headers={"user-agent": "broker-bridge", "content-type": "application/cloudevents+json"},
        )
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._client is not None:
            await self._client.aclose()

    async def send(self, events: Sequence[Outgoing]) -> Sequence[Refused]:
        """See Outlet."""
        if events[0].again or events[0].fact.number < self._first:
            self._forget()  # asked for once more: what it took before does not count
        self._first = 0 if events[0].again else events[0].fact.number
        outgoing = {event.fact.number: event for event in events}
        gate = asyncio.Semaphore(self._config.at_once)
        trouble: list[_Later] = []
        failed: list[Fact] = []
        before = len(self._taken)
        async with asyncio.TaskGroup() as group:
            for chain in self._chains.of([event.fact for event in events]):
                group.create_task(self._chain(chain, outgoing, gate, trouble, failed))
        for fact in failed:
            # Only where others pass it is the event's own trouble.
            if len(self._taken) > before or self._failures.get(_key(fact)):
                self._failures[_key(fact)] = self._failures.get(_key(fact), 0) + 1
            if self._failures.get(_key(fact), 0) >= self._config.attempts:
                self._refused[_key(fact)] = Refused(
                    fact.number, "500", f"the receiver failed on it {self._config.attempts} times"
                )
        confirmed = 0
        for event in events:
            if _key(event.fact) not in self._taken and _key(event.fact) not in self._refused:
                worst = max(trouble, key=lambda one: one.wait_s, default=_Later("it has to be tried again"))
                # What is refused already is told once the whole window has an answer.
                done = confirmed if not self._refused else 0
                raise OutletUnavailable(f"{self._config.url.partition('?')[0]}: {worst}", done, worst.wait_s)
            confirmed = event.fact.number
        refused = [self._refused[_key(e.fact)] for e in events if _key(e.fact) in self._refused]
        self._forget()
        return refused

    def _forget(self) -> None:
        self._taken.clear()
        self._refused.clear()
        self._failures.clear()

    async def _chain(
        self,
        chain: Sequence[Fact],
        outgoing: dict[int, Outgoing],
        gate: asyncio.Semaphore,
        trouble: list[_Later],
        failed: list[Fact],
    ) -> None:
        """Send a chain in its order, up to the first that has to wait."""
        for fact in chain:
            if _key(fact) in self._taken or _key(fact) in self._refused:
                continue
            async with gate:
                if any(one.whole for one in trouble):
                    return
                try:
                    refused = await self._post(outgoing[fact.number])
                except _Later as later:
                    trouble.append(later)
                    if not later.whole:
                        failed.append(fact)
                    return
            if refused is None:
                self._taken.add(_key(fact))
            else:
                self._refused[_key(fact)] = refused

    async def _post(self, event: Outgoing) -> Refused | None:
        fact = event.fact
        message = message_id(fact.source, fact.id)
        signed = headers(self._keys, message, int(self._clock()), event.body)
        more = {"bridge-number": str(fact.number)} | ({"bridge-again": "true"} if event.again else {})
        assert self._client is not None, "entered first"
        try:
            async with self._client.stream(
                "POST", self._config.url, content=event.body, headers={**signed, **more}
            ) as answer:
                status = answer.status_code
                said = b""
                if status >= 300:
                    async for part in answer.aiter_raw(_READ):
                        said += part
                        if len(said) >= _READ:
                            break
                wait_s = _retry_after(answer.headers.get("retry-after"), self._clock())
        except self._httpx.HTTPError as error:
            raise _Later(f"no answer: {type(error).__name__}: {error}") from error
        if 200 <= status < 300:
            return None
        reason = f"answered {status} {_words(said)}".rstrip()
        if 300 <= status < 400:
            raise _Later(f"{reason}: it points elsewhere, and events are sent to `url` only; correct it")
        if status == 410:
            raise _Later(f"{reason}: it wants no more events; remove this outlet, or mend it there", _GONE_S)
        if status in _AS_A_WHOLE:
            raise _Later(f"{reason}: look at url, key and rights", wait_s)
        if status in _LATER:
            raise _Later(reason, wait_s)
        if status >= 500 or status < 200:
            raise _Later(reason, wait_s, whole=False)
        return Refused(fact.number, str(status), reason)


def _keys(config: WebhookOutlet) -> list[bytes]:
    name = f"outlets.{config.name}.secret"
    if config.secret_file is not None:
        secret = read_secret(config.secret_file, f"{name}_file")
    else:
        found = os.environ.get(config.secret_env or "")
        if found is None:
            raise ConfigError(f"{name}_env = {config.secret_env!r}: no such environment variable")
        secret = found
    keys = [key(secret, name)]
    if config.former_secret_file is not None:
        former = f"outlets.{config.name}.former_secret_file"
        keys.append(key(read_secret(config.former_secret_file, former), former))
    return keys


def _verified_by(config: WebhookOutlet) -> ssl.SSLContext | bool:
    if config.ca_file is None:
        return True
    try:
        return ssl.create_default_context(cafile=config.ca_file)
    except OSError as error:
        raise ConfigError(f"outlets.{config.name}.ca_file = {config.ca_file}: {error}") from error


def _retry_after(text: str | None, now: float) -> float:
    """Seconds the receiver asks to be left alone (RFC 9110, section 10.2.3); 0 where it does not, an hour at most."""
    if text is None:
        return 0.0
    if text.isascii() and text.isdigit():
        seconds = float(text)
    else:
        try:
            until = parsedate_to_datetime(text)
        except ValueError:
            return 0.0
        until = until if until.tzinfo else until.replace(tzinfo=UTC)
        seconds = (until - datetime.fromtimestamp(now, UTC)).total_seconds()
    return min(max(seconds, 0.0), _LONGEST_WAIT_S)


def _words(said: bytes) -> str:
    text = " ".join(said[:300].decode("utf-8", "replace").split())
    return "".join(character for character in text if character.isprintable())

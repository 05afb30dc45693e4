"""Requests that are not ended, too many of them, and the end of the service."""

import asyncio
import contextlib
import socket
import time
from collections.abc import Iterator

import httpx
import pytest

from broker_bridge.web import connection
from broker_bridge.web import guard as guard_module
from broker_bridge.web import server as server_module
from broker_bridge.web.guard import Guard, Message, Rate

from conftest import Opened  # isort: skip


@contextlib.contextmanager
def half_open(client: httpx.Client, count: int, sent: bytes) -> Iterator[list[socket.socket]]:
    """So many connections that send this and then wait."""
    with contextlib.ExitStack() as stack:
        address = client.base_url.host, client.base_url.port
        sockets = [stack.enter_context(socket.create_connection(address)) for _ in range(count)]  # type: ignore[arg-type]
        for one in sockets:
            one.sendall(sent)
        yield sockets


HEAD = b"GET /api/v1/record HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "


@pytest.mark.parametrize(
    "sent", [b"", HEAD, b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 9\r\n\r\nab"]
)
def test_an_unfinished_request_is_given_up(
    service: Opened, told_record: str, monkeypatch: pytest.MonkeyPatch, sent: bytes
) -> None:
    monkeypatch.setattr(connection, "_REQUEST_S", 0.3)
    with half_open(service(told_record), 1, sent) as (one,):
        one.settimeout(10)
        with contextlib.suppress(ConnectionResetError):
            while one.recv(100_000):
                pass  # some answer before all is there


def test_they_keep_nobody_out(service: Opened, told_record: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "_UNFINISHED", 20)
    client = service(told_record)
    with half_open(client, 60, HEAD):
        assert client.get("/api/v1/record").status_code == 200


def test_a_request_that_takes_its_time_to_be_answered_is_not_given_up(
    service: Opened, told_record: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "_REQUEST_S", 0.2)
    client = service(told_record)
    with client.stream("GET", "/api/v1/live") as response:
        begun = time.monotonic()
        assert next(response.iter_bytes()) == b"retry: 3000\n\n"
        while time.monotonic() - begun < 0.5:
            assert client.get("/api/v1/record").status_code == 200
        assert not response.is_closed


def test_answers_leave_without_delay(
    service: Opened, told_record: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []

    class Watched(connection.Connection):
        def connection_made(self, transport: asyncio.Transport) -> None:
            held = transport.get_extra_info("socket")
            seen.append(held.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            super().connection_made(transport)

    monkeypatch.setattr(server_module, "Connection", Watched)
    service(told_record).get("/api/v1/health/live")
    assert seen
    assert all(seen)


def asked_of(guard: Guard, path: str = "/") -> tuple[asyncio.Task[None], list[Message]]:
    """A request under way, and what came back so far."""
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    scope: dict[str, object] = {
        "type": "http", "method": "GET", "path": path, "query_string": b"", "headers": [(b"host", b"here")],
        "client": ("127.0.0.1", 1),
    }  # fmt: skip
    return asyncio.ensure_future(guard(scope, receive, send)), sent


def test_who_waits_while_the_service_is_stopped_is_told_so() -> None:
    async def life() -> None:
        async def app(scope: object, receive: object, send: object) -> None:
            await asyncio.Event().wait()

        guard = Guard(app, names={"here"}, rate=Rate(1000, time.monotonic))
        asking, sent = asked_of(guard)
        await asyncio.sleep(0)
        asking.cancel()
        await asking
        assert sent[0]["status"] == 503
        assert (b"retry-after", b"5") in sent[0]["headers"]

    asyncio.run(life())


def test_no_more_are_answered_at_once_than_can_be() -> None:
    async def life() -> None:
        async def app(scope: object, receive: object, send: object) -> None:
            await asyncio.Event().wait()

        guard = Guard(app, names={"here"}, rate=Rate(10_000, time.monotonic))
        asking = [asked_of(guard) for _ in range(guard_module._AT_ONCE + 1)]
        await asyncio.wait({asking[-1][0]}, timeout=5)
        assert asking[-1][1][0]["status"] == 503
        assert not any(sent for _, sent in asking[:-1])
        for task, _ in asking:
            task.cancel()
        await asyncio.gather(*(task for task, _ in asking))

    asyncio.run(life())

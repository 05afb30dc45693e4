"""A broker that follows a script, packet by packet: for what no real broker can be made to do on demand.

The packets are built here from MQTT 3.1.1 (OASIS Standard, 29 October 2014), chapters 2 and 3, and not with the
library under test. A script is a coroutine function that gets the connection (`Peer`); each new connection runs
the next script, and the last one again for all that follow.
"""

import asyncio
from collections.abc import Awaitable, Callable
from types import TracebackType
from typing import NamedTuple

CONNECT, CONNACK, PUBLISH, PUBACK = 1, 2, 3, 4
SUBSCRIBE, SUBACK, PINGREQ, PINGRESP, DISCONNECT = 8, 9, 12, 13, 14

PATIENCE_S = 10.0

Script = Callable[["Peer"], Awaitable[None]]


class Packet(NamedTuple):
    """One control packet: its type, the four flag bits, what follows the fixed header."""

    kind: int
    flags: int
    body: bytes

    @property
    def number(self) -> int:
        """Packet identifier of a PUBACK or SUBSCRIBE."""
        return int.from_bytes(self.body[:2])

    @property
    def publish(self) -> tuple[str, int, bytes]:
        """Topic, packet identifier and payload of a PUBLISH with QoS 1."""
        assert self.kind == PUBLISH
        assert self.flags & 0b0110 == 0b0010
        size = int.from_bytes(self.body[:2])
        topic, rest = self.body[2 : 2 + size], self.body[2 + size :]
        return topic.decode(), int.from_bytes(rest[:2]), rest[2:]

    @property
    def dup(self) -> bool:
        return bool(self.flags & 0b1000)


def packet(kind: int, flags: int, body: bytes) -> bytes:
    """The bytes of a control packet (2.2)."""
    size, length = bytearray(), len(body)
    while True:
        length, digit = divmod(length, 128)
        size.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([kind << 4 | flags]) + size + body


def publish(
    topic: str | bytes, payload: bytes, number: int, *, dup: bool = False, retain: bool = False, qos: int = 1
) -> bytes:
    """A PUBLISH (3.3)."""
    name = topic.encode() if isinstance(topic, str) else topic
    identifier = number.to_bytes(2) if qos else b""
    return packet(PUBLISH, dup << 3 | qos << 1 | retain, len(name).to_bytes(2) + name + identifier + payload)


def connack(*, session_present: bool = False, code: int = 0) -> bytes:
    """A CONNACK (3.2)."""
    return packet(CONNACK, 0, bytes([session_present, code]))


class Peer:
    """The broker's end of one connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self.client_id = ""
        self.clean = True
        self.filters: list[str] = []

    def send(self, *packets: bytes) -> None:
        """Send bytes, whole packets or not."""
        for each in packets:
            self._writer.write(each)

    async def pushed(self) -> None:
        """Let the other side read what was sent so far, as far as one turn of the event loop allows."""
        await self._writer.drain()
        await asyncio.sleep(0)

    async def receive(self, *, answer_pings: bool = True) -> Packet:
        """The next packet, pings too; those are answered. EOFError when the client has gone."""
        async with asyncio.timeout(PATIENCE_S):
            try:
                first = (await self._reader.readexactly(1))[0]
                length = shift = 0
                while True:
                    digit = (await self._reader.readexactly(1))[0]
                    length |= (digit & 0x7F) << shift
                    shift += 7
                    if not digit & 0x80:
                        break
                body = await self._reader.readexactly(length)
            except asyncio.IncompleteReadError:
                raise EOFError("the client has closed the connection") from None
            if first >> 4 == PINGREQ and answer_pings:
                self.send(packet(PINGRESP, 0, b""))
            return Packet(first >> 4, first & 0x0F, body)

    async def expect(self, kind: int) -> Packet:
        """The next packet, which has to be of this type."""
        received = await self.receive()
        while received.kind == PINGREQ:
            received = await self.receive()
        assert received.kind == kind, f"expected packet type {kind}, got {received}"
        return received

    async def greet(self, *, session_present: bool = False, subscribing: bool = True) -> None:
        """Accept the connection and the subscriptions that follow."""
        await self.connecting()
        self.send(connack(session_present=session_present))
        if subscribing:
            await self.subscribed()

    async def connecting(self) -> None:
        """Read the CONNECT (3.1)."""
        connect = await self.expect(CONNECT)
        assert connect.body[:7] == b"\x00\x04MQTT\x04", "protocol name and level of MQTT 3.1.1"
        self.clean = bool(connect.body[7] & 0x02)
        size = int.from_bytes(connect.body[10:12])
        self.client_id = connect.body[12 : 12 + size].decode()

    async def subscribed(self, *, refuse: bool = False) -> None:
        """Read the SUBSCRIBE (3.8) and answer it."""
        subscribe = await self.expect(SUBSCRIBE)
        at = 2
        while at < len(subscribe.body):
            size = int.from_bytes(subscribe.body[at : at + 2])
            self.filters.append(subscribe.body[at + 2 : at + 2 + size].decode())
            at += size + 3
        codes = bytes([0x80 if refuse else 1] * len(self.filters))
        self.send(packet(SUBACK, 0, subscribe.body[:2] + codes))

    async def gone(self, *, answer_pings: bool = True) -> list[Packet]:
        """Wait until the client closes; what it sent before that."""
        received: list[Packet] = []
        while True:
            try:
                sent = await self.receive(answer_pings=answer_pings)
            except (EOFError, ConnectionError):
                return received
            if sent.kind != PINGREQ:
                received.append(sent)

    def finish(self) -> None:
        """Close after the bytes sent so far have left."""
        self._writer.close()

    def cut(self) -> None:
        """Close without a goodbye."""
        self._writer.transport.abort()


class FakeBroker:
    """`async with FakeBroker(script, ...) as broker`; a failed script fails the block."""

    host = "127.0.0.1"

    def __init__(self, *scripts: Script) -> None:
        self._scripts = scripts
        self._failures: list[Exception] = []
        self._running: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self.connections = 0
        self.port = 0

    async def __aenter__(self) -> "FakeBroker":
        self._server = await asyncio.start_server(self._serve, self.host, 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        if error is None and self._running:
            await asyncio.wait(self._running, timeout=PATIENCE_S)
        left = list(self._running)
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left)
        assert error is not None or not left, "a script did not come to its end"
        if self._failures:
            raise self._failures[0] from error

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._running.add(task)
        script = self._scripts[min(self.connections, len(self._scripts) - 1)]
        self.connections += 1
        try:
            await script(Peer(reader, writer))
        except Exception as failure:
            self._failures.append(failure)
        finally:
            self._running.discard(task)
            writer.transport.abort()

"""A way to the broker that can be ill-treated: cut, closed, half open, slow, or deceiving.

Runs in a process of its own. It knows just enough of MQTT 3.1.1 (OASIS Standard, 29 October 2014, chapter 2.2 and 3.3)
to find packets in the stream: a deceiving proxy keeps an event's PUBLISH for itself and answers with the PUBACK that
the broker would have given.
"""

import asyncio
import contextlib
import json
import os
import random
import socket
from collections import Counter
from pathlib import Path
from typing import Any, Final

from brokers import free_port
from roles import forked

_PUBLISH: Final = 3
_PUBACK: Final = 4


class Proxy:
    """Use as `with Proxy(...) as proxy`; `listen` gives the port that stands before the broker's."""

    def __init__(self, log: Path, seed: int) -> None:
        self._log = log
        self._chance = random.Random(seed)
        self._near, self._far = socket.socketpair()
        self._pid = 0
        self._pairs: set[_Pair] = set()
        self.swallowing = 0.0
        self.hole = False
        self.delay_s = 0.0
        self.counts: Counter[str] = Counter()

    def listen(self, broker_port: int) -> int:
        """Start, on a free port."""
        port = free_port()
        self._pid = forked(lambda: asyncio.run(self._serve(port, broker_port)), self._log)
        return port

    def __enter__(self) -> "Proxy":
        return self

    def __exit__(self, *_: object) -> None:
        if self._pid:
            os.kill(self._pid, 9)
            os.waitpid(self._pid, 0)

    def order(self, do: str, **more: Any) -> dict[str, int]:
        """Tell it what to do; what it counted.

        cut: reset all connections. close: close them in order. hole: whatever is sent on the present and all later
        connections goes nowhere, and no connection ends. swallow: deceive, with this `share`. slow: every piece
        `seconds` late. heal: none of it any more; those in a hole stay there.
        """
        self._near.sendall(json.dumps({"do": do, **more}).encode() + b"\n")
        return dict(json.loads(self._near.recv(65536)))

    async def _serve(self, port: int, broker_port: int) -> None:
        async def meet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            pair = _Pair(self, reader, writer)
            self._pairs.add(pair)
            try:
                await pair.run(broker_port)
            finally:
                self._pairs.discard(pair)

        server = await asyncio.start_server(meet, "127.0.0.1", port)
        self._far.setblocking(False)
        orders, answers = await asyncio.open_connection(sock=self._far)
        async with server:
            while line := await orders.readline():
                self._obey(json.loads(line))
                answers.write(json.dumps(dict(self.counts)).encode())

    def _obey(self, order: dict[str, Any]) -> None:
        match order["do"]:
            case "cut" | "close":
                for pair in list(self._pairs):
                    pair.end(abrupt=order["do"] == "cut")
            case "hole":
                self.hole = True
                for pair in self._pairs:
                    pair.hole = True
            case "swallow":
                self.swallowing = order["share"]
            case "slow":
                self.delay_s = order["seconds"]
            case "heal":
                self.hole, self.swallowing, self.delay_s = False, 0.0, 0.0

    def deceives(self, packet: bytes) -> bool:
        """Whether this PUBLISH is kept from the broker."""
        return (
            b"/event/" in packet[:400] or b"/batch" in packet[:400]
            if self._chance.random() < self.swallowing
            else False
        )


class _Pair:
    """A client's connection and ours to the broker."""

    def __init__(self, proxy: Proxy, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.hole = proxy.hole
        self._proxy = proxy
        self._reader = reader
        self._writer = writer
        self._broker: asyncio.StreamWriter | None = None

    async def run(self, broker_port: int) -> None:
        """Move bytes until one side ends."""
        try:
            reader, self._broker = await asyncio.open_connection("127.0.0.1", broker_port)
        except OSError:
            self._writer.transport.abort()
            return
        there = asyncio.create_task(self._up(self._reader, self._broker))
        back = asyncio.create_task(self._down(reader, self._writer))
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            await asyncio.wait({there, back}, return_when=asyncio.FIRST_COMPLETED)
        if not self.hole:  # a connection in a hole hears of no end
            self.end(abrupt=False)
        await asyncio.gather(there, back, return_exceptions=True)
        self.end(abrupt=True)

    def end(self, *, abrupt: bool) -> None:
        """End both sides."""
        for writer in (self._writer, self._broker):
            if writer is not None:
                writer.transport.abort() if abrupt else writer.close()

    async def _down(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while piece := await reader.read(65536):
            await self._pass(writer, piece)

    async def _up(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            try:
                packet = await _packet(reader)
            except asyncio.IncompleteReadError:
                return
            kind, qos = packet[0] >> 4, packet[0] >> 1 & 3
            self._proxy.counts["packets"] += 1
            if kind == _PUBLISH and qos == 1 and not self.hole and self._proxy.deceives(packet):
                self._proxy.counts["acknowledged and forgotten"] += 1
                await self._pass(self._writer, bytes([_PUBACK << 4, 2]) + _number(packet))
            else:
                await self._pass(writer, packet)

    async def _pass(self, writer: asyncio.StreamWriter, piece: bytes) -> None:
        if self.hole:
            self._proxy.counts["pieces lost in the hole"] += 1
            return
        if self._proxy.delay_s:
            await asyncio.sleep(self._proxy.delay_s)
        writer.write(piece)
        await writer.drain()


async def _packet(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(1)
    size = shift = 0
    while True:
        head += (digit := await reader.readexactly(1))
        size |= (digit[0] & 0x7F) << shift
        shift += 7
        if not digit[0] & 0x80:
            return head + await reader.readexactly(size)


def _number(publish: bytes) -> bytes:
    at = 1
    while publish[at] & 0x80:
        at += 1
    at += 1
    at += 2 + int.from_bytes(publish[at : at + 2])
    return publish[at : at + 2]

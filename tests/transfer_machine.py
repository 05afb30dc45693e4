"""A machine on the vertical channel of IPC-HERMES-9852, on a real socket, that remembers what really happened.

Its XML is its own, so that what reads it is not tested against itself. Like a real one it forgets what it could not
send: whoever is not connected misses it.
"""

import asyncio
import contextlib
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID
from xml.etree import ElementTree

_MESSAGE = re.compile(rb"<Hermes.*?</Hermes\s*>", re.DOTALL)
TRACKING = "FeatureBoardTracking"
ANSWERING = "FeatureCheckAliveResponse"


class Happened(NamedTuple):
    """A board came or went."""

    time: datetime
    type: str
    board: str


async def until(condition: Callable[[], object], deadline: float = 10.0) -> None:
    """Wait for a condition. Raises TimeoutError after `deadline` seconds."""
    async with asyncio.timeout(deadline):
        while not condition():  # noqa: ASYNC110 - what is waited for is told by several objects
            await asyncio.sleep(0.002)


class Machine:
    """Listens on a free port of 127.0.0.1 from `start` until `stop`; the port stays the same."""

    def __init__(
        self, name: str = "PLACER-1", *, features: tuple[str, ...] = (TRACKING, ANSWERING), port: int = 0
    ) -> None:
        self.name = name
        self.features = features
        self.port = port
        self.truth: list[Happened] = []
        self.heard: list[ElementTree.Element] = []
        """Every message it ever got, without the envelope."""
        self.connections = 0
        self.refusing = False
        """It drops every new connection."""
        self.frozen = False
        """It neither reads, sends nor describes itself, but its connections stay open."""
        self._server: asyncio.Server | None = None
        self._open: dict[asyncio.StreamWriter, bool] = {}
        self._dead: set[asyncio.StreamWriter] = set()
        self._boards = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        await self._server.wait_closed()
        await until(lambda: not self._open)

    @property
    def supervisors(self) -> int:
        """Connected supervisors that follow boards and can hear it."""
        return 0 if self.frozen else sum(self._open[w] for w in self._open if w not in self._dead)

    def names(self) -> list[str]:
        """The names of the messages it got."""
        return [element.tag for element in self.heard]

    def say(self, *bodies: str) -> None:
        """Send messages in one piece to all that follow boards."""
        self.send(b"".join(self.envelope(body) for body in bodies))

    def send(self, data: bytes) -> None:
        """Send any bytes."""
        if self.frozen:
            return
        for writer, follows in list(self._open.items()):
            if follows and writer not in self._dead and not writer.transport.is_closing():
                writer.write(data)

    def board(self, *, arrived: bool = True, lane: int = 1, more: str = "", inside: str = "") -> Happened:
        """A board comes or goes: noted in the truth, and said to whom it concerns."""
        happened, body = self.happen(arrived=arrived, lane=lane, more=more, inside=inside)
        self.say(body)
        return happened

    def happen(
        self, *, arrived: bool = True, lane: int = 1, more: str = "", inside: str = ""
    ) -> tuple[Happened, str]:
        """A board comes or goes: noted in the truth, and the message to say so, not yet sent."""
        self._boards += 1
        board = str(UUID(int=(0x9852 << 64) + self._boards))
        name, which = ("BoardArrived", "Upstream") if arrived else ("BoardDeparted", "Downstream")
        self.truth.append(
            Happened(datetime.now(UTC), "board.arrived" if arrived else "board.departed", board)
        )
        return self.truth[-1], (
            f'<{name} MachineId="{self.name}" {which}LaneId="{lane}" BoardTransfer="1" BoardId="{board}"'
            f' BoardIdCreatedBy="LOADER-1" FailedBoard="1" FlippedBoard="1" {more}>{inside}</{name}>'
        )

    def envelope(self, body: str) -> bytes:
        stamp = datetime.now(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")
        return f'<Hermes Timestamp="{stamp}">{body}</Hermes>\n'.encode()

    def cut(self) -> None:
        """Break all connections without a word."""
        for writer in list(self._open):
            writer.transport.abort()

    def finish(self, data: bytes) -> None:
        """Send these bytes and close all connections properly."""
        self.send(data)
        for writer in list(self._open):
            writer.close()

    def freeze(self) -> None:
        """From now on its connections are dead, without anybody being told."""
        self.frozen = True
        self._dead.update(self._open)

    def thaw(self) -> None:
        """It listens again; the connections from before stay dead, and only an answering machine's show it."""
        self.frozen = False
        if ANSWERING not in self.features:
            for writer in self._dead:
                writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._open[writer] = False
        if self.refusing:
            writer.transport.abort()
        if self.frozen:
            self._dead.add(writer)
        buffer = b""
        try:
            while data := await reader.read(65_536):
                if writer in self._dead:
                    continue
                buffer += data
                while found := _MESSAGE.search(buffer):
                    buffer = buffer[found.end() :]
                    self._answer(ElementTree.fromstring(found[0])[0], writer)
        except ConnectionError:
            pass
        finally:
            writer.transport.abort()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
            del self._open[writer]
            self._dead.discard(writer)

    def _answer(self, element: ElementTree.Element, writer: asyncio.StreamWriter) -> None:
        self.heard.append(element)
        if element.tag == "SupervisoryServiceDescription":
            features = "".join(f"<{name}/>" for name in self.features)
            body = f'<SupervisoryServiceDescription SystemId="{self.name}" Version="1.5">'
            body += f"<SupportedFeatures>{features}</SupportedFeatures></SupervisoryServiceDescription>"
            writer.write(self.envelope(body))
            self._open[writer] = element.find(f"SupportedFeatures/{TRACKING}") is not None
        elif element.tag == "CheckAlive" and element.get("Type") == "1" and ANSWERING in self.features:
            writer.write(self.envelope(f'<CheckAlive Type="2" Id="{element.get("Id")}"/>'))

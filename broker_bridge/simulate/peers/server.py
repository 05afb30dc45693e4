"""A station as a server of the vertical channel, on a real socket of the loopback interface."""

import asyncio
import contextlib
from collections.abc import Callable
from datetime import datetime

from broker_bridge.simulate.peers.messages import INFORMATION, SHUTDOWN, check_alive, notify
from broker_bridge.simulate.peers.session import Session

MOST_UNSENT = 1_000_000  # bytes; a supervisor that reads no faster is dropped, as nothing is queued for it


class StationPeer:
    """Listens on 127.0.0.1, several supervisors at once. `send` reaches those that track boards now, nobody else.

    `local_now` is the machine's own clock. `keep_alive` is the silence in seconds after which it shows a sign of life.
    """

    def __init__(self, station: str, local_now: Callable[[], datetime], *, keep_alive: float = 60.0) -> None:
        self.station = station
        self.port = 0
        self._local_now = local_now
        self._keep_alive = keep_alive
        self._server: asyncio.Server | None = None
        self._open: dict[asyncio.StreamWriter, Session] = {}
        self._handlers: set[asyncio.Task[None]] = set()
        self._changed = asyncio.Event()
        self._away = False

    @property
    def supervisors(self) -> int:
        """How many connected supervisors track boards now."""
        return sum(session.tracks for session in self._open.values())

    async def wait_for_supervisor(self) -> None:
        """Return when at least one supervisor that tracks boards is connected."""
        while not self.supervisors:
            self._changed.clear()
            await self._changed.wait()

    async def start(self) -> None:
        """Listen on a free port, then in `port`."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    def send(self, data: bytes) -> None:
        for writer, session in list(self._open.items()):
            if not session.tracks:
                continue
            if writer.transport.get_write_buffer_size() > MOST_UNSENT:
                writer.transport.abort()
            else:
                writer.write(data)

    def cut(self) -> None:
        """Break every connection, without a word, and refuse new ones until `restore`."""
        self._away = True
        for writer, session in self._open.items():
            session.closing = True
            writer.transport.abort()

    def restore(self) -> None:
        self._away = False

    async def close(self) -> None:
        """Say goodbye (notification 5) and stop listening."""
        if self._server is None:
            return
        self._server.close()
        for writer, session in self._open.items():
            session.closing = True
            writer.write(notify(self._local_now(), SHUTDOWN, INFORMATION, "planned stop"))
            writer.close()
        await asyncio.gather(*self._handlers)
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._away:
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        self._handlers.add(task)
        session = self._open[writer] = Session(self.station)
        try:
            await self._talk(session, reader, writer)
        except ConnectionError:
            pass  # the supervisor went, or `cut` was called: nothing is kept for it
        finally:
            del self._open[writer]
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
            self._handlers.discard(task)

    async def _talk(
        self, session: Session, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        while not session.closing:
            try:
                async with asyncio.timeout(self._keep_alive):
                    data = await reader.read(65_536)
            except TimeoutError:
                if session.features:
                    writer.write(check_alive(self._local_now()))
                continue
            if not data:
                return
            writer.write(session.receive(data, self._local_now()))
            self._changed.set()
            await writer.drain()

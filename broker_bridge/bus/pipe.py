"""A connection made by asyncio that looks like a socket to code that wants one.

Reads are served from the chunks asyncio brings, a byte at a time if need be, without a system call for each;
writes are gathered and leave together with `flush`.
"""

import asyncio
import time
from collections.abc import Callable
from typing import Final

GOODBYE_S: Final = 1.0
"""Seconds the other side gets to read the last bytes."""


class Pipe(asyncio.Protocol):
    """Give it to `loop.create_connection`."""

    def __init__(self, on_data: Callable[[], None], on_lost: Callable[[str], None]) -> None:
        """`on_lost` is told why."""
        self._on_data = on_data
        self._on_lost = on_lost
        self.heard = time.monotonic()
        """When the last bytes came."""
        self._transport: asyncio.Transport | None = None
        self._gone = asyncio.get_running_loop().create_future()
        self._in = b""
        self._at = 0
        self._out: list[bytes] = []
        self._held = False
        self._closed = False

    # What asyncio calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        if self._closed:
            return
        self.heard = time.monotonic()
        self._in = self._in[self._at :] + data if self._at < len(self._in) else data
        self._at = 0
        self._on_data()

    def connection_lost(self, error: Exception | None) -> None:
        if not self._gone.done():
            self._gone.set_result(None)
        self._on_lost(
            f"the connection was lost: {error}" if error else "the other side closed the connection"
        )

    # What the owner calls

    def pending(self) -> int:
        """Bytes that came and were not read."""
        return len(self._in) - self._at

    def hold(self, held: bool) -> None:
        """Stop or go on reading from the network."""
        if held == self._held or self._transport is None:
            return
        self._held = held
        if held:
            self._transport.pause_reading()
        else:
            self._transport.resume_reading()

    def flush(self) -> None:
        """Hand all gathered writes to the network."""
        if self._out and self._transport is not None:
            self._transport.write(b"".join(self._out))
        self._out.clear()

    async def goodbye(self) -> None:
        """Close, and wait, not long, until the other side has read everything and closed too.

        Who closes at once loses what the other side has not read yet: its next write finds nobody here, and the
        reset that comes back throws its unread bytes away.
        """
        self.close()
        if self._transport is not None:
            await asyncio.wait((self._gone,), timeout=GOODBYE_S)
        self.abort()

    def abort(self) -> None:
        """End it at once, whatever is on the way."""
        self._closed = True
        self._in, self._at = b"", 0
        if self._transport is not None:
            self._transport.abort()

    # What a user of sockets calls

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; raises BlockingIOError when there are none."""
        at = self._at
        data = self._in[at : at + size]
        if not data:
            raise BlockingIOError
        self._at = at + len(data)
        return data

    def send(self, data: bytes) -> int:
        """Keep the bytes for the next flush; raises ConnectionError when the connection is closed."""
        if self._closed or self._transport is None or self._transport.is_closing():
            raise ConnectionError("the connection is closed")
        self._out.append(data)
        return len(data)

    def close(self) -> None:
        """Write no more and read no more; what was written still leaves."""
        if self._closed or self._transport is None:
            return
        self._closed = True
        self._in, self._at = b"", 0
        self.flush()
        self.hold(False)  # the end of the other side has to be seen
        if self._transport.can_write_eof() and not self._transport.is_closing():
            self._transport.write_eof()

    def fileno(self) -> int:
        """There is no descriptor of its own."""
        return -1

    def setblocking(self, flag: bool) -> None:
        """It never blocks."""

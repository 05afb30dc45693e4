"""Connections that send their requests in good time: those that do not are closed, and keep nobody else out."""

import asyncio
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

_REQUEST_S: Final = 20.0
"""For a request from its first byte to its last; one is at most a megabyte."""
_UNFINISHED: Final = 200
"""Connections that are sending a request, or were opened and send none."""


class Connection(H11Protocol):
    """One connection. Between requests uvicorn's own limit for idle ones counts."""

    _end: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """A client came."""
        super().connection_made(transport)
        self._begin()
        unfinished = [one for one in self.connections if isinstance(one, Connection) and one._end is not None]
        if len(unfinished) > _UNFINISHED:
            min(unfinished, key=Connection._ends).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Bytes of a request came."""
        super().data_received(data)
        cycle = self.cycle
        if cycle is None or cycle.response_complete or cycle.more_body:
            self._begin()
        else:
            self._stop()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is closed."""
        self._stop()
        super().connection_lost(exc)

    def _begin(self) -> None:
        if self._end is None:
            self._end = self.loop.call_later(_REQUEST_S, self._late)

    def _stop(self) -> None:
        if self._end is not None:
            self._end.cancel()
            self._end = None

    def _late(self) -> None:
        self._end = None
        if not self.transport.is_closing():
            self.transport.abort()

    def _ends(self) -> float:
        return self._end.when() if self._end is not None else 0.0

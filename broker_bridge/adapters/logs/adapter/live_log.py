"""A log that is being read: its reader, and what goes into the outbox with the next takings. All calls block."""

import hashlib
from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.growing import GrowingLog
from broker_bridge.adapters.logs.adapter.log_state import WINDOW, LogState
from broker_bridge.adapters.logs.adapter.stream import Stream
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.takings import Place

STEP: Final = 64 * 1024
"""Bytes that are read, mapped and kept together."""


class OtherLog(Exception):
    """The file does not hold the log: its bytes before the read position are others."""


class Piece(NamedTuple):
    """One step forward."""

    raw: bytes
    takings: list[Taking]
    hole: bool
    """Behind these bytes stand NUL characters: a share shows them where it does not have the bytes yet."""


class LiveLog:
    """The reader of one log, at some place of it."""

    def __init__(self, mapping: Compiled, place: Place, state: LogState) -> None:
        self._unit = 2 if str(getattr(mapping.file.reader, "encoding", "")).startswith("utf-16") else 1
        self.state = state
        self.log = GrowingLog(
            mapping,
            place,
            state.name,
            generation=state.generation,
            modified=datetime.fromisoformat(state.modified),
            progress=state.progress,
        )
        self._hash = hashlib.sha256()
        self._tail = b""
        self.raw = bytearray()
        """Raw bytes since the current piece began."""
        self.positions: list[int] = []
        """Positions of the takings since the current chunk began."""

    def replay(self, stream: Stream) -> list[Taking]:
        """Read again what was read before; gives what has to be given again. Raises OtherLog."""
        size, takings = self.state.size, list[Taking]()
        while (at := self.log.fed) < size:
            raw = stream.read(at, min(STEP, size - at))
            if not raw:
                raise OtherLog(f"{stream.name} ends at byte {at}; the log was read up to {size}")
            self._note(raw)
            takings += self.log.feed(raw)
        if self._hash.hexdigest() != self.state.digest:
            raise OtherLog(f"{stream.name} has other bytes than were read")
        return takings

    def advance(self, stream: Stream, *, over_holes: bool = False) -> Piece:
        """Read and map the next bytes, and note them in the state; empty at the end of the file."""
        raw = stream.read(self.log.fed, STEP)
        hole = self._hole(raw)
        if hole is not None and not (over_holes and raw[hole:].strip(b"\x00")):
            raw = raw[:hole]
        else:
            hole = None
        takings = self.log.feed(raw) if raw else []
        if raw:
            self._note(raw)
            self.raw += raw
            state = self.state
            state.size, state.digest = self.log.fed, self._hash.hexdigest()
            state.tail = hashlib.sha256(self._tail).hexdigest()
        return Piece(raw, takings, hole is not None)

    def took(self, takings: Sequence[Taking]) -> None:
        """Note the positions of takings that are on their way into the outbox."""
        self.positions += [taking.position for taking in takings]
        self.state.given += len(takings)

    def _hole(self, raw: bytes) -> int | None:
        nul = b"\x00" * self._unit
        at = raw.find(nul)
        while at >= 0 and (self.log.fed + at) % self._unit:
            at = raw.find(nul, at + 1)
        return at if at >= 0 else None

    def _note(self, raw: bytes) -> None:
        self._hash.update(raw)
        self._tail = (self._tail + raw)[-WINDOW:]

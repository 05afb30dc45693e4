"""Which log a file holds: by its bytes, not by its name or number. All calls block.

A file is a log that is known when it begins with the log's head and has, right before the position up to which the
log was read, the bytes that were read there. Name and inode are only hints: both are used again by others.
"""

import hashlib
from collections.abc import Container, Iterable, Iterator
from typing import NamedTuple

from broker_bridge.adapters.logs.adapter.growing import Head, head_of
from broker_bridge.adapters.logs.adapter.log_state import WINDOW, LogState
from broker_bridge.adapters.logs.adapter.stream import Stream
from broker_bridge.adapters.logs.mapping.compiled import Compiled

_STEP = 64 * 1024


class Recognised(NamedTuple):
    """What a file turned out to be."""

    log: LogState | None = None
    """It holds this log, and perhaps more of it than was read."""
    head: Head | None = None
    """It holds none that is known, and begins like this; None while its first record is not complete."""
    rivals: tuple[LogState, ...] = ()
    """Logs that begin in the same way and are longer than this file: it may be a copy in the making, or another."""
    size: int = 0
    """Plain bytes in the file, where there are rivals."""
    digest: str = ""
    """SHA-256 of them."""


class Logs:
    """Logs that are known, found by how they begin: thousands may lie in a folder."""

    def __init__(self, logs: Iterable[LogState] = ()) -> None:
        self._by_size: dict[int, dict[str, list[LogState]]] = {}
        for state in logs:
            self.add(state)

    def add(self, state: LogState) -> None:
        """Know one more."""
        self._by_size.setdefault(state.head.size, {}).setdefault(state.head.hash, []).append(state)

    def remove(self, state: LogState) -> None:
        """Know it no more."""
        self._by_size[state.head.size][state.head.hash].remove(state)

    def with_head(self, head: Head) -> list[LogState]:
        """The logs that begin so."""
        return list(self._by_size.get(head.size, {}).get(head.hash, ()))

    def alike(self, stream: Stream) -> list[LogState]:
        """The logs that begin as a file does."""
        return [
            state
            for size, by_hash in self._by_size.items()
            for state in by_hash.get(digest_at(stream, 0, size), ())
        ]


def recognise(
    mapping: Compiled,
    stream: Stream,
    logs: Logs,
    likely: str | None,
    refuted: Container[str] = (),
) -> Recognised:
    """Tell what an open file holds.

    `likely` is the generation it held when it was looked at last, `refuted` those that it surely does not hold.
    """
    alike = [state for state in logs.alike(stream) if state.generation not in refuted]
    alike.sort(key=lambda state: (state.generation != likely, -state.size))
    for state in alike:
        if has_tail(stream, state):
            return Recognised(log=state)
    if not alike:
        return Recognised(head=head_of(mapping, _beginning(stream)))
    head = alike[0].head
    longest = max(state.size for state in alike)
    content = hashlib.sha256()
    size = 0
    while size < longest and (piece := stream.read(size, min(_STEP, longest - size))):
        content.update(piece)
        size += len(piece)
    rivals = tuple(state for state in alike if state.size > size)
    return Recognised(head=head, rivals=rivals, size=size, digest=content.hexdigest())


def has_tail(stream: Stream, state: LogState) -> bool:
    """Whether a file has, right before the log's read position, what was read there."""
    width = min(WINDOW, state.size)
    return digest_at(stream, state.size - width, width) == state.tail


def digest_at(stream: Stream, offset: int, size: int) -> str:
    """SHA-256 of these bytes of a file; empty where it does not have them all."""
    raw = stream.read(offset, size)
    return hashlib.sha256(raw).hexdigest() if len(raw) == size else ""


def _beginning(stream: Stream) -> Iterator[bytes]:
    at = 0
    while piece := stream.read(at, _STEP):
        nul = piece.find(b"\x00") if b"\x00\x00\x00\x00" in piece else -1
        if nul >= 0:
            yield piece[:nul]  # a hole that the share has not filled yet
            return
        yield piece
        at += len(piece)

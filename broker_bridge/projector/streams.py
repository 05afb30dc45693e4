"""Streams of rows of fixed size in the index: appended to by the builder, read as a whole.

A step of a live plant brings a row or two, and reading a million small blobs takes as long as reading the events. So small
pieces at the end are joined into one, and those into greater ones.
"""

import sqlite3
from typing import Final

_MANY: Final = 32
"""Pieces at the end of about one size that are joined."""
_LARGEST: Final = 2**24
"""Bytes from which a piece is left as it is."""


class Streams:
    """What is to be appended in one transaction."""

    def __init__(self) -> None:
        self._pending: dict[str, list[bytes]] = {}
        self._tails: dict[str, list[tuple[int, int]]] = {}
        """The pieces at the end of each stream that may still be joined: first event and bytes, in order."""

    def clear(self) -> None:
        """Forget what was not written, and what is known of the tables."""
        self._pending.clear()
        self._tails.clear()

    def add(self, stream: str, row: bytes) -> None:
        """Append a row."""
        self._pending.setdefault(stream, []).append(row)

    def write(self, connection: sqlite3.Connection, first: int) -> None:
        """Write what was appended, as of its first event, and join small pieces. Call it once a transaction."""
        for stream, rows in self._pending.items():
            body = b"".join(rows)
            connection.execute("INSERT INTO columns VALUES (?, ?, ?)", (stream, first, body))
            tail = self._tails.get(stream)
            if tail is None:
                tail = self._tails[stream] = _tail(connection, stream)
            else:
                tail.append((first, len(body)))
            while (joined := _joined(tail)) is not None:
                _join(connection, stream, tail, joined)
        self._pending.clear()


def _tail(connection: sqlite3.Connection, stream: str) -> list[tuple[int, int]]:
    sql = "SELECT first, length(body) FROM columns WHERE stream = ? ORDER BY first DESC LIMIT ?"
    rows = connection.execute(sql, (stream, 16 * _MANY)).fetchall()
    return [(first, size) for first, size in reversed(rows)]


def _joined(tail: list[tuple[int, int]]) -> int | None:
    """From which piece on all are to be joined: none of them is of a greater size than the last, and they are many."""
    size = _size(tail[-1][1])
    start = len(tail)
    while start and _size(tail[start - 1][1]) <= size and tail[start - 1][1] < _LARGEST:
        start -= 1
    return start if len(tail) - start >= _MANY else None


def _size(length: int) -> int:
    """Of bytes: one up is 32 times as many."""
    return length.bit_length() // 5


def _join(connection: sqlite3.Connection, stream: str, tail: list[tuple[int, int]], start: int) -> None:
    first = tail[start][0]
    sql = "SELECT body FROM columns WHERE stream = ? AND first >= ? ORDER BY first"
    body = b"".join(piece for (piece,) in connection.execute(sql, (stream, first)))
    connection.execute("DELETE FROM columns WHERE stream = ? AND first >= ?", (stream, first))
    connection.execute("INSERT INTO columns VALUES (?, ?, ?)", (stream, first, body))
    tail[start:] = [(first, len(body))]

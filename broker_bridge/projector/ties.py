"""All names and ties at once, as arrays, for questions about every board: what `index` gives for one name."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from broker_bridge.db import open_reader
from broker_bridge.errors import StoreUnavailable
from broker_bridge.projector.entries import PART, SAME
from broker_bridge.projector.said import FIELDS, NAMES, TIES, TOLD_FIELDS
from broker_bridge.projector.schema import INDEX

Ints = NDArray[np.int64]


def _dtype(fields: tuple[tuple[str, str], ...]) -> np.dtype[Any]:
    return np.dtype([(name, {"q": "<i8", "i": "<i4"}[code]) for name, code in fields])


_STREAMS: Final = {
    "said": _dtype(FIELDS),
    "told": _dtype(TOLD_FIELDS),
    "ties": _dtype(TIES),
    "names": _dtype(NAMES),
}


class Ties(NamedTuple):
    """As of an event; names by their number in the index."""

    kinds: Ints
    """Of each name what it may lead to (`said.OTHER` ...); 0 is no name."""
    parts: tuple[Ints, Ints, Ints]
    """A thing, what it is part of, and the position; 0: not said."""
    same: tuple[Ints, Ints]
    """Two names of one thing, each pair once."""


def all_ties(index: Path, upto: int) -> Ties:
    """Read them from an index. Raises NotFound where there is none, StoreUnavailable where it cannot be read."""
    names, ties = stream(index, "names", upto), stream(index, "ties", upto)
    kinds = np.zeros(int(names["name"].max(initial=0)) + 1, np.int64)
    kinds[names["name"]] = names["kind"]
    part, same = ties[ties["relation"] == PART], ties[(ties["relation"] == SAME) & (ties["a"] < ties["b"])]
    return Ties(
        kinds,
        (part["a"].astype(np.int64), part["b"].astype(np.int64), part["position"].astype(np.int64)),
        (same["a"].astype(np.int64), same["b"].astype(np.int64)),
    )


def stream(index: Path, name: str, upto: int) -> NDArray[Any]:
    """The rows of a stream up to an event, in order of the record, as a structured array (fields of module said)."""
    kind = _STREAMS[name]
    with _reading(index) as connection:
        size = connection.execute(
            "SELECT coalesce(sum(length(body)), 0) FROM columns WHERE stream = ?", (name,)
        ).fetchone()[0]
        room, at = np.empty(size, np.uint8), 0
        for (body,) in connection.execute(
            "SELECT body FROM columns WHERE stream = ? ORDER BY first", (name,)
        ):
            room[at : at + len(body)] = np.frombuffer(body, np.uint8)
            at += len(body)
    rows = room.view(kind)
    return rows[: int(np.searchsorted(rows["number"], upto, side="right"))]


def words(index: Path) -> list[str | None]:
    """The texts of the columns by number; 0 is none."""
    with _reading(index) as connection:
        rows = connection.execute("SELECT word, text FROM words").fetchall()
    found: list[str | None] = [None] * (max((word for word, _ in rows), default=0) + 1)
    for word, text in rows:
        found[word] = text
    return found


@contextmanager
def _reading(index: Path) -> Iterator[sqlite3.Connection]:
    """A connection to an index that sees one state of it."""
    connection = open_reader(index, INDEX)
    try:
        connection.execute("BEGIN")
        yield connection
    except sqlite3.Error as error:
        raise StoreUnavailable(f"the index at {index} cannot be read: {error}") from error
    finally:
        connection.close()

"""All ties between names at once, for questions about every board: what `index` gives for one name."""

import sqlite3
from pathlib import Path
from typing import NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.errors import StoreUnavailable
from broker_bridge.projector.entries import PART, SAME
from broker_bridge.projector.schema import INDEX
from broker_bridge.trace.mentions import Node


class Ties(NamedTuple):
    """As of an event; each tie once."""

    parts: list[tuple[Node, Node, int]]
    """A thing, what it is part of, and the position; 0: not said."""
    same: list[tuple[Node, Node]]
    """Two names of one thing."""
    revised: frozenset[tuple[str, str]]
    """Source and generation of raw records that came in several revisions: not every event of them holds."""


def all_ties(index: Path, upto: int) -> Ties:
    """Read them from an index. Raises NotFound where there is none, StoreUnavailable where it cannot be read."""
    connection = open_reader(index, INDEX)
    try:
        rows = connection.execute(
            "SELECT x.kind, x.value, relation, y.kind, y.value, position FROM ties"
            " JOIN names AS x ON x.name = a JOIN names AS y ON y.name = b"
            " WHERE relation IN (?, ?) AND ties.first <= ?",
            (SAME, PART, upto),
        ).fetchall()
        several = connection.execute(
            "SELECT source, generation FROM revisions GROUP BY source, generation HAVING count(*) > 1"
        ).fetchall()
    except sqlite3.Error as error:
        raise StoreUnavailable(f"the index at {index} cannot be read: {error}") from error
    finally:
        connection.close()
    parts = [(Node(k, v), Node(m, w), place) for k, v, relation, m, w, place in rows if relation == PART]
    same = [
        (Node(k, v), Node(m, w)) for k, v, relation, m, w, _ in rows if relation == SAME and (k, v) < (m, w)
    ]
    return Ties(parts, same, frozenset((source, generation) for source, generation in several))

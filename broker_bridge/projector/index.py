"""Reads the index: which events may matter to the history of what is asked for.

More events than needed never change an answer, fewer might: where in doubt they are taken along. Everything can
be asked as of an earlier event number.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.projector.entries import FIRST, LAST, declared_line, microseconds
from broker_bridge.projector.schema import INDEX, index_path
from broker_bridge.trace.gaps import MARGIN, Window
from broker_bridge.trace.mentions import UNITS, Node
from broker_bridge.trace.route import DECLARED

MAX_NAMES: Final = 2000
"""Names that are followed from one; beyond it an identifier is shared by everything and tells nothing."""
CROWDED: Final = 20_000
"""Events that name one identifier; with more it tells nothing apart."""
_RANK: Final = {kind: rank for rank, kind in enumerate(UNITS)}
_LAST_WORDS: Final = 8
"""Latest words of a source about its connection that are looked at."""


class Cursor(NamedTuple):
    """What the index is as of."""

    record: str
    incarnation: int
    commit: int
    number: int


class Related(NamedTuple):
    """What may matter to one thing."""

    numbers: frozenset[int]
    crowded: tuple[Node, ...]
    """Identifiers that name too much to tell anything apart."""


class Index:
    """An open index. Raises NotFound when there is none."""

    def __init__(self, record: Path) -> None:
        self._connection = open_reader(index_path(record), INDEX)

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()

    def cursor(self) -> Cursor | None:
        """What the index is as of; None before its first commit."""
        row = self._connection.execute("SELECT record, incarnation, commit_no, number FROM cursor").fetchone()
        return None if row is None else Cursor(*row)

    def nodes(self, value: str) -> list[Node]:
        """The identifiers with this text, whatever their kind."""
        rows = self._connection.execute("SELECT kind FROM names WHERE value = ? ORDER BY kind", (value,))
        return [Node(kind, value) for (kind,) in rows]

    def related(self, start: Node, upto: int) -> Related:
        """Numbers up to `upto` of the events that may matter to what a name stands for.

        Ties are followed through names that are shared, and upwards from boards to panels to assemblies; not
        down to sister boards, and not on to another thing that bore a shared name.
        """
        agenda, seen = [start], {start}
        numbers: set[int] = set()
        crowded: list[Node] = []
        base = _RANK.get(start.kind, -1)
        while agenda and len(seen) < MAX_NAMES:
            node = agenda.pop()
            named = self._named(node, upto)
            if len(named) > CROWDED:
                crowded.append(node)
                continue
            numbers.update(named)
            for other in self._tied(node, upto):
                if other not in seen and _leads_on(node, other, base):
                    seen.add(other)
                    agenda.append(other)
        return Related(frozenset(numbers), tuple(crowded))

    def revised(self, records: Iterable[tuple[str, str, int]]) -> list[tuple[str, str, int]]:
        """Those of these raw records of which a higher revision than the first is in the record."""
        return [
            record
            for record in records
            if self._connection.execute(
                "SELECT 1 FROM revised WHERE source = ? AND generation = ? AND position = ? LIMIT 1", record
            ).fetchone()
        ]

    def notices(
        self, windows: Sequence[Window], files: Collection[tuple[str, str]], upto: int
    ) -> frozenset[int]:
        """Numbers of the events that tell what may be missing on these lines at these times, or in these files."""
        found: set[int] = set()
        for window in windows:
            found.update(self._of_window(window, upto))
            found.update(self._of_sources(window.line, upto))
            line = declared_line(window.line + "/", window.line.rpartition("/")[2])
            found.update(self._numbers("line = ? AND type = ? AND number <= ?", line, DECLARED, upto))
        for source, generation in files:
            found.update(
                self._numbers(
                    "source = ? AND generation = ? AND type = 'source.rejected' AND number <= ?",
                    source,
                    generation,
                    upto,
                )
            )
        return frozenset(found)

    def rejected(self, after: int, limit: int) -> list[int]:
        """Numbers of the rejected records behind one, in order."""
        rows = self._connection.execute(
            "SELECT number FROM notices WHERE type = 'source.rejected' AND number > ? ORDER BY number LIMIT ?",
            (after, limit),
        )
        return [number for (number,) in rows]

    def _of_window(self, window: Window, upto: int) -> set[int]:
        since = FIRST if _near_end(window.start) else microseconds((window.start - MARGIN).timestamp())
        until = LAST if _near_end(window.end) else microseconds((window.end + MARGIN).timestamp())
        return self._numbers(
            "line = ? AND type IN ('source.gap', 'source.rejected') AND since <= ? AND until >= ? AND number <= ?",
            window.line,
            until,
            since,
            upto,
        )

    def _of_sources(self, line: str, upto: int) -> set[int]:
        found: set[int] = set()
        for source, first in self._connection.execute(
            "SELECT source, first FROM sources WHERE line = ? AND first <= ?", (line, upto)
        ).fetchall():
            found.add(first)
            rows = self._connection.execute(
                "SELECT number FROM notices WHERE line = ? AND type IN ('source.connected', 'source.disconnected')"
                " AND source = ? AND number <= ? ORDER BY since DESC LIMIT ?",
                (line, source, upto, _LAST_WORDS),
            )
            found.update(number for (number,) in rows)
        return found

    def _numbers(self, condition: str, *values: object) -> set[int]:
        return {
            number
            for (number,) in self._connection.execute(f"SELECT number FROM notices WHERE {condition}", values)
        }

    def _named(self, node: Node, upto: int) -> list[int]:
        rows = self._connection.execute(
            "SELECT number FROM named WHERE name = (SELECT name FROM names WHERE value = ? AND kind = ?)"
            " AND number <= ? LIMIT ?",
            (node.value, node.kind, upto, CROWDED + 1),
        )
        return [number for (number,) in rows]

    def _tied(self, node: Node, upto: int) -> list[Node]:
        rows = self._connection.execute(
            "SELECT kind, value FROM ties JOIN names ON names.name = ties.b"
            " WHERE a = (SELECT name FROM names WHERE value = ? AND kind = ?) AND first <= ? LIMIT ?",
            (node.value, node.kind, upto, MAX_NAMES),
        )
        return [Node(kind, value) for kind, value in rows]


def _leads_on(node: Node, other: Node, base: int) -> bool:
    here, there = _RANK.get(node.kind), _RANK.get(other.kind)
    if there is None:
        return True
    if here is not None:
        return there >= here
    # From a shared name: on to what our thing may be part of, or to what the name that was asked for stands for.
    return base < 0 or there > base


def _near_end(time: datetime) -> bool:
    return time.year <= 1 or time.year >= 9999

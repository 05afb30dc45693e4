"""Writes the derived tables: which histories are dirty, and the rows of those that were made anew.

What is dirty hangs together: a name, and all names tied to it in any number of steps. A cluster is settled as a whole,
in one transaction, so the tables always hold whole histories; once nothing is dirty they hold as of the cursor.
"""

import contextlib
import sqlite3
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.projector.builder import connection_of, trouble
from broker_bridge.projector.entries import WHOLE
from broker_bridge.projector.index import CROWDED
from broker_bridge.projector.rows import Rows
from broker_bridge.projector.schema import DAY, INDEX
from broker_bridge.trace.mentions import Knot, Node, Slot

_NAMES: Final = 5_000
"""Names that one cluster follows at most: what hangs together by more was tied by mistake."""


class Cluster(NamedTuple):
    """Names that hang together."""

    names: frozenset[int]
    knots: tuple[Knot, ...]
    """All they may stand for: identifiers, and positions of panels."""
    numbers: tuple[int, ...]
    """The events that give them, as far as they are not crowded."""
    crowded: bool
    """Some name too much to be read together."""


class Settled:
    """The writer of the derived tables of an index. Several may be open; they take turns."""

    def __init__(self, path: Path, *, busy_ms: int = 300) -> None:
        """Raises StoreUnavailable when the index cannot be written, NotFound where there is none."""
        open_reader(path, INDEX).close()
        self._path = path
        self._connection = connection_of(path, busy_ms)
        self._uses: dict[str, int] = {}
        self._stamp = 0

    def close(self) -> None:
        """Let go of the index."""
        self._connection.close()

    def dirty(self) -> int:
        """How many names are dirty, at least."""
        waiting = (
            "SELECT (SELECT count(*) FROM dirty) + EXISTS (SELECT 1 FROM dirty_windows)"
            " + EXISTS (SELECT 1 FROM dirty_containers) + EXISTS (SELECT 1 FROM dirty_files)"
            " + EXISTS (SELECT 1 FROM dirty_places)"
        )
        return int(self._one(waiting))

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything or nothing. Raises StoreUnavailable."""
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                # A clock, so that an index made anew never repeats a stamp; above the last, as clocks may step.
                last = self._one("SELECT coalesce(max(stamp), 0) FROM changed_days")
                self._stamp = max(last + 1, time.time_ns() // 1000)
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                self._uses.clear()
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise trouble(self._path, error) from error

    def spread(self) -> None:
        """Turn what became known of stations, containers and magazines into dirty names."""
        execute = self._connection.execute
        execute(
            "INSERT OR IGNORE INTO dirty SELECT name FROM board_names WHERE board IN (SELECT p.board FROM dirty_windows AS w"
            " JOIN passages AS p ON p.line = w.line AND (w.station = '' OR p.station = w.station)"
            " AND p.needs_since <= w.until AND p.needs_until >= w.since)"
        )
        execute(
            "INSERT OR IGNORE INTO dirty SELECT name FROM board_names WHERE board IN (SELECT c.board FROM dirty_containers"
            " JOIN use_words AS u ON u.value = id AND u.kind = 'container' JOIN carries AS c USING (use))"
        )
        execute(
            "INSERT OR IGNORE INTO dirty SELECT name FROM board_names WHERE board IN"
            " (SELECT board FROM board_files JOIN dirty_files USING (file))"
        )
        execute(
            "INSERT OR IGNORE INTO dirty SELECT name FROM board_names WHERE board IN (SELECT p.board FROM dirty_places AS d"
            " JOIN passages AS p ON p.station = d.station AND p.line = d.line)"
        )
        for table in ("dirty_windows", "dirty_places", "dirty_containers", "dirty_files"):
            execute(f"DELETE FROM {table}")

    def next_cluster(self) -> Cluster | None:
        """A cluster with something dirty; None when nothing is. Its rows are gone afterwards: write them anew."""
        row = self._connection.execute("SELECT name FROM dirty ORDER BY name LIMIT 1").fetchone()
        if row is None:
            return None
        names = self._tied(row[0])
        cluster = self._cluster(names)
        marks = [(name,) for name in names]
        self._connection.executemany("DELETE FROM dirty WHERE name = ?", marks)
        boards = {
            board
            for name in names
            for (board,) in self._connection.execute("SELECT board FROM board_names WHERE name = ?", (name,))
        }
        for board in boards:
            self._forget(board)
        return cluster

    def _forget(self, board: int) -> None:
        self._changed(board)
        for table in ("boards", "board_names", "passages", "carries", "called", "made_under", "board_files"):
            self._connection.execute(f"DELETE FROM {table} WHERE board = ?", (board,))

    def write(self, rows: Rows, names: Iterable[int], files: Iterable[str]) -> None:
        """The rows of one thing. `names` are those of its cluster that name it, by their numbers."""
        execute, many = self._connection.execute, self._connection.executemany
        marks = ", ".join("?" * len(rows.board))
        again = execute(
            "SELECT board FROM boards WHERE kind = ? AND value = ? AND position = ?", rows.board[:3]
        )
        for (board,) in again.fetchall():
            self._forget(board)
        cursor = execute(f"INSERT INTO boards VALUES (NULL, {marks})", rows.board)
        board = cursor.lastrowid
        many("INSERT OR IGNORE INTO board_names VALUES (?, ?)", [(name, board) for name in names])
        many("INSERT OR IGNORE INTO board_files VALUES (?, ?)", [(file, board) for file in files])
        if rows.passages:
            marks = ", ".join("?" * len(rows.passages[0]))
            many(f"INSERT INTO passages VALUES (?, {marks})", [(board, *row) for row in rows.passages])
            many("INSERT OR IGNORE INTO passed VALUES (?, ?)", {(row[2], row[1]) for row in rows.passages})
            many("INSERT OR IGNORE INTO reaches VALUES (?)", {row[-1:] for row in rows.passages})
        many("INSERT INTO called VALUES (?, ?, ?, ?)", [(board, *row) for row in rows.called])
        many("INSERT INTO made_under VALUES (?, ?, ?)", [(order, board, said) for order, said in rows.orders])
        carries = [(self._use(use.shared, use.words), board, use.since, use.until) for use in rows.uses]
        many("INSERT OR IGNORE INTO carries VALUES (?, ?, ?, ?)", carries)
        self._changed(int(board or 0))

    def _changed(self, board: int) -> None:
        """Note the days on which a thing has rows."""
        self._connection.execute(
            f"INSERT OR REPLACE INTO changed_days SELECT since / {DAY}, ?2 FROM passages WHERE board = ?1"
            f" UNION SELECT since / {DAY}, ?2 FROM carries WHERE board = ?1"
            f" UNION SELECT called / {DAY}, ?2 FROM called WHERE board = ?1",
            (board, self._stamp),
        )

    def tidy(self) -> None:
        """Forget uses that no board is told of any more."""
        self._uses.clear()
        unused = "SELECT use FROM uses WHERE NOT EXISTS (SELECT 1 FROM carries WHERE carries.use = uses.use)"
        self._connection.execute(f"DELETE FROM use_words WHERE use IN ({unused})")
        self._connection.execute(f"DELETE FROM uses WHERE use IN ({unused})")

    def number_of(self, node: Node) -> int | None:
        """The number of a name."""
        row = self._connection.execute(
            "SELECT name FROM names WHERE value = ? AND kind = ?", (node.value, node.kind)
        ).fetchone()
        return None if row is None else int(row[0])

    def _use(self, shared: tuple[object, ...], words: Iterable[tuple[str, str]]) -> int:
        said = str(shared[-1])
        known = self._uses.get(said)
        if known is not None:
            return known
        row = self._connection.execute("SELECT use FROM uses WHERE said = ?", (said,)).fetchone()
        if row is None:
            marks = ", ".join("?" * len(shared))
            use = self._connection.execute(f"INSERT INTO uses VALUES (NULL, {marks})", shared).lastrowid
            self._connection.executemany(
                "INSERT OR IGNORE INTO use_words VALUES (?, ?, ?)",
                [(value, kind, use) for kind, value in words],
            )
        else:
            use = row[0]
        if len(self._uses) > 50_000:
            self._uses.clear()
        self._uses[said] = int(use or 0)
        return self._uses[said]

    def _tied(self, start: int) -> set[int]:
        seen, agenda = {start}, [start]
        while agenda and len(seen) < _NAMES:
            name = agenda.pop()
            if self._is_crowded(name) and name != start:
                continue
            for (other,) in self._connection.execute(
                "SELECT DISTINCT b FROM ties WHERE a = ? LIMIT ?", (name, CROWDED)
            ):
                if other not in seen:
                    seen.add(other)
                    agenda.append(other)
        return seen

    def _is_crowded(self, name: int) -> bool:
        """Whether a name gives too many events to be followed. At the crossing it is followed once more."""
        if self._one("SELECT EXISTS (SELECT 1 FROM crowded WHERE name = ?)", name):
            return True
        count = self._one(
            "SELECT count(*) FROM (SELECT 1 FROM named WHERE name = ? LIMIT ?)", name, CROWDED + 1
        )
        if count > CROWDED:
            self._connection.execute("INSERT OR IGNORE INTO crowded VALUES (?)", (name,))
        return False

    def _cluster(self, names: set[int]) -> Cluster:
        knots: list[Knot] = []
        numbers: set[int] = set()
        crowded = False
        for name in sorted(names):
            value, kind = self._connection.execute(
                "SELECT value, kind FROM names WHERE name = ?", (name,)
            ).fetchone()
            node = Node(kind, value)
            knots.append(node)
            rows = self._connection.execute(
                "SELECT place, number FROM named WHERE name = ? LIMIT ?", (name, CROWDED + 1)
            ).fetchall()
            crowded = crowded or len(rows) > CROWDED
            numbers.update(number for _, number in rows)
            knots.extend(Slot(node, place) for place in sorted({place for place, _ in rows if place > 0}))
            tied = "SELECT DISTINCT position FROM ties WHERE a = ? AND relation = ? AND position > 0"
            knots.extend(Slot(node, place) for (place,) in self._connection.execute(tied, (name, WHOLE)))
        return Cluster(frozenset(names), tuple(dict.fromkeys(knots)), tuple(sorted(numbers)), crowded)

    def _one(self, sql: str, *values: object) -> int:
        try:
            return int(self._connection.execute(sql, values).fetchone()[0])
        except sqlite3.Error as error:
            raise trouble(self._path, error) from error

"""How many events of which type each source has given, and when the last came: counted on from where it was left."""

import sqlite3
from pathlib import Path
from typing import NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.errors import StoreUnavailable
from broker_bridge.store.schema import RECORD


class Tally(NamedTuple):
    """What one source has given."""

    events: dict[str, int]
    """By type."""
    last_us: int
    """When its newest event was committed, microseconds since 1970."""


class Tallies:
    """One record's counts. Use it from one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Raises NotFound when there is no record, StoreUnavailable as `update` does."""
        self._path = path
        self._connection = open_reader(path, RECORD)
        self._incarnation = -1
        self._number = 0
        self._counts: dict[str, Tally] = {}

    def update(self) -> dict[str, Tally]:
        """Count what is new. The first time it goes through the whole record: about a second for a million events."""
        try:
            (incarnation,) = self._connection.execute("SELECT incarnation FROM record").fetchone() or (0,)
            if incarnation != self._incarnation:
                self._incarnation, self._number, self._counts = incarnation, 0, {}
            rows = self._connection.execute(
                "SELECT s.name, t.name, count(*), max(c.committed_at), max(e.number) FROM events AS e"
                " JOIN generations AS g ON g.number = e.generation JOIN sources AS s ON s.number = g.source"
                " JOIN types AS t ON t.number = e.type JOIN commits AS c ON c.number = e.commit_no"
                " WHERE e.number > ? GROUP BY s.number, t.number",
                (self._number,),
            ).fetchall()
        except sqlite3.Error as error:
            raise StoreUnavailable(f"{self._path} cannot be read: {error}") from error
        for source, kind, count, last_us, number in rows:
            tally = self._counts.setdefault(source, Tally({}, 0))
            tally.events[kind] = tally.events.get(kind, 0) + count
            self._counts[source] = tally._replace(last_us=max(tally.last_us, last_us))
            self._number = max(self._number, number)
        return self._counts

    def close(self) -> None:
        """Let go of the record."""
        self._connection.close()

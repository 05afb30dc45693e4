"""The numbers that stand for names in the record, and the progress of every epoch: the writer's copy in memory.

Names are numbered as they come and never change, so a copy cannot go stale while there is one writer; after a
failed transaction it is loaded anew, for it may know numbers that were rolled back.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from broker_bridge.errors import StoreUnavailable
from broker_bridge.events.canonical import Read
from broker_bridge.store.base import Progress
from broker_bridge.store.rows import PROGRESS, progress_of

_GENERATIONS: Final = 20_000
"""Generations kept in memory: a line writes far fewer files at a time; the others are looked up."""

Key = tuple[str, int]
"""Source and epoch."""


class Epoch(NamedTuple):
    """One epoch of a source, its number in the record and its progress."""

    number: int
    progress: Progress


class Names:
    """Asks and adds inside the transaction of its caller."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._sources: dict[str, int] = {}
        self._last_generation = 0
        self.types: dict[str, int] = {}
        self.epochs: dict[Key, Epoch] = {}
        self.streams: dict[tuple[str, str], tuple[int, int, Key]] = {}
        """Number of the source, number of the epoch, and its key, by the two as an envelope spells them."""
        self.generations: dict[tuple[int, str], int] = {}
        """Those met of late, by number of the source and name."""

    def load(self) -> None:
        """Read again what is kept in memory."""
        self._sources = dict(fetch(self._connection, "SELECT name, number FROM sources"))
        self.types = dict(fetch(self._connection, "SELECT name, number FROM types"))
        self.epochs, self.streams = {}, {}
        for number, *columns in fetch(self._connection, PROGRESS):
            progress = progress_of(columns)
            self.epochs[progress.source, progress.epoch] = Epoch(number, progress)
        self.generations = {}
        last = fetch(self._connection, "SELECT coalesce(max(number), 0) FROM generations")
        self._last_generation = last[0][0]

    def source(self, name: str) -> int:
        """The number of a source."""
        return self._sources.get(name) or self._add("sources", self._sources, name)

    def epoch(self, source: str, epoch: int) -> Epoch:
        """An epoch of a source; a new one has no progress."""
        key = (source, epoch)
        if key not in self.epochs:
            number = len(self.epochs) + 1
            self._connection.execute(
                "INSERT INTO epochs (number, source, epoch, contiguous, above, last, closed)"
                " VALUES (?, ?, ?, 0, '[]', 0, 0)",
                (number, self.source(source), epoch),
            )
            self.epochs[key] = Epoch(number, Progress(source, epoch, 0, (), 0))
        return self.epochs[key]

    def keep(self, moved: Mapping[Key, Progress]) -> None:
        """Write the progress of known epochs."""
        rows = []
        for key, progress in moved.items():
            number, before = self.epochs[key]
            if progress != before:
                self.epochs[key] = Epoch(number, progress)
                above = json.dumps(progress.above, separators=(",", ":"))
                rows.append((progress.contiguous, above, progress.last, progress.closed, number))
        if rows:
            self._connection.executemany(
                "UPDATE epochs SET contiguous = ?, above = ?, last = ?, closed = ? WHERE number = ?", rows
            )

    def learn(self, events: Sequence[Read]) -> None:
        """See to it that `types`, `streams` and `generations` have what these events name."""
        for kind in {event.type for event in events} - self.types.keys():
            self._add("types", self.types, kind)
        for source, epoch in {(event.source, event.epoch) for event in events} - self.streams.keys():
            number = self.epoch(source, int(epoch)).number
            self.streams[source, epoch] = self.source(source), number, (source, int(epoch))
        keys = {
            (self.streams[event.source, event.epoch][0], event.id.partition(".")[0]): None for event in events
        }
        if len(self.generations) > _GENERATIONS:
            self.generations.clear()
        if unknown := [key for key in keys if key not in self.generations]:
            self._learn(unknown)

    def _learn(self, unknown: Sequence[tuple[int, str]]) -> None:
        for source, name, number in fetch(
            self._connection,
            "SELECT source, name, number FROM json_each(?) AS wanted CROSS JOIN generations"
            " ON source = json_extract(wanted.value, '$[0]') AND name = json_extract(wanted.value, '$[1]')",
            (json.dumps(unknown),),
        ):
            self.generations[source, name] = number
        rows = []
        for source, name in unknown:
            if (source, name) not in self.generations:
                self._last_generation += 1
                self.generations[source, name] = self._last_generation
                rows.append((self._last_generation, source, name))
        if rows:
            self._connection.executemany(
                "INSERT INTO generations (number, source, name) VALUES (?, ?, ?)", rows
            )

    def _add(self, table: str, known: dict[str, int], name: str) -> int:
        number = len(known) + 1
        self._connection.execute(f"INSERT INTO {table} (number, name) VALUES (?, ?)", (number, name))
        known[name] = number
        return number


def fetch(connection: sqlite3.Connection, sql: str, parameters: Iterable[Any] = ()) -> list[Any]:
    """All rows of one statement. Raises StoreUnavailable."""
    try:
        return connection.execute(sql, tuple(parameters)).fetchall()
    except sqlite3.OperationalError as error:
        raise StoreUnavailable(f"the record cannot be read or written: {error}") from error

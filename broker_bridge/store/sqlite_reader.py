"""The record in SQLite: its readers. Starts in a few milliseconds: no models, no event loop.

Every method is one short read; a reader that held one open would keep the write-ahead log from shrinking.
"""

import json
import os
import sqlite3
import sys
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from broker_bridge.db import make_file, open_reader
from broker_bridge.errors import NotFound, RecordDamaged, StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.store.base import Commit, Conflict, Head, Progress, RefusedRow, Sibling
from broker_bridge.store.instants import text
from broker_bridge.store.packing import PLAIN, UNREADABLE, unpack
from broker_bridge.store.rows import PROGRESS, REFUSALS, progress_of, refused_row
from broker_bridge.store.schema import RECORD

_CHUNK: Final = 500
"""Numbers asked for in one statement; older SQLite takes 999 parameters."""

_KEPT: Final = 1000
"""Events kept as they were read, for who asks again: a board's page, the other boards of its panel. Large ones, which lie
compressed, are not: with these it is about five megabytes."""

_MANY: Final = 100
"""Events asked for at once from which a faster decoder is worth its import."""

_FACTS: Final = (
    "SELECT e.number, e.commit_no, g.source, g.name, e.position, e.ordinal, e.revision, e.type, e.time,"
    " e.encoding, e.body FROM events AS e JOIN generations AS g ON g.number = e.generation"
)


class SqliteReader:
    """One reader of a record. Use it from one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Raises NotFound when there is no record, StoreVersionError when it is a newer program's."""
        self._path = path
        self._connection = open_reader(path, RECORD)
        self._sources: dict[int, str] = {}
        self._types: dict[int, str] = {}
        self._kept: OrderedDict[int, Fact] = OrderedDict()
        self._loads: Callable[[bytes], Any] = json.loads

    def head(self) -> Head:
        """See StoreReader."""
        sql = (
            "SELECT name, incarnation, (SELECT coalesce(max(number), 0) FROM commits),"
            " (SELECT coalesce(max(number), 0) FROM events) FROM record"
        )
        rows = self._all(sql)
        if not rows:
            raise StoreUnavailable(f"{self._path} is a record that nobody has begun to write")
        return Head(*rows[0])

    def last_number(self, commit: int) -> int:
        """See StoreReader."""
        if commit == 0:
            return 0
        rows = self._all("SELECT last FROM commits WHERE number = ?", (commit,))
        if not rows:
            head = self.head()
            raise NotFound(f"there is no commit {commit} in {head.name}; the last is {head.commit}")
        return int(rows[0][0])

    def commit_at(self, instant: int) -> int:
        """See StoreReader."""
        rows = self._all("SELECT coalesce(max(number), 0) FROM commits WHERE committed_at <= ?", (instant,))
        return int(rows[0][0])

    def commits(self, after: int, limit: int) -> list[Commit]:
        """See StoreReader."""
        sql = "SELECT number, first, last, committed_at FROM commits WHERE number > ? ORDER BY number LIMIT ?"
        return [Commit(*row) for row in self._all(sql, (after, limit))]

    def facts(self, numbers: Sequence[int]) -> list[Fact]:
        """See StoreReader."""
        if self._loads is json.loads and "orjson" in sys.modules:
            self._loads = sys.modules["orjson"].loads  # somebody has waited for it already
        found = {number: self._kept[number] for number in numbers if number in self._kept}
        unread = [number for number in numbers if number not in found]
        for start in range(0, len(unread), _CHUNK):
            part = unread[start : start + _CHUNK]
            rows = self._all(f"{_FACTS} WHERE e.number IN ({','.join('?' * len(part))})", part)
            facts = self._facts(rows)
            found.update((fact.number, fact) for fact in facts)
            self._keep(fact for fact, row in zip(facts, rows, strict=True) if row[-2] == PLAIN)
        try:
            return [found[number] for number in numbers]
        except KeyError as error:
            raise NotFound(f"there is no event number {error.args[0]} in {self.head().name}") from None

    def after(self, number: int, limit: int) -> list[Fact]:
        """See StoreReader."""
        self._expect(limit)
        sql = f"{_FACTS} WHERE e.number > ? ORDER BY e.number LIMIT ?"
        return self._facts(self._all(sql, (number, limit)))

    def typed(self, types: Collection[str], number: int, upto: int, limit: int) -> list[Fact]:
        """See StoreReader."""
        self._expect(limit)
        marks = ", ".join("?" * len(types))
        sql = (
            f"{_FACTS} WHERE e.number > ? AND e.number <= ? AND e.type IN"
            f" (SELECT number FROM types WHERE name IN ({marks})) ORDER BY e.number LIMIT ?"
        )
        return self._facts(self._all(sql, (number, upto, *types, limit)))

    def span(self, upto: int) -> tuple[str, str] | None:
        """See StoreReader."""
        ((first, last),) = self._all("SELECT min(time), max(time) FROM events WHERE number <= ?", (upto,))
        return None if first is None else (text(first), text(last))

    def body(self, number: int) -> bytes:
        """See StoreReader."""
        rows = self._all("SELECT encoding, body FROM events WHERE number = ?", (number,))
        if not rows:
            raise NotFound(f"there is no event number {number} in {self.head().name}")
        return unpack(*rows[0])

    def number_of(self, source: str, event_id: str) -> int:
        """See StoreReader."""
        try:
            generation, position, ordinal, revision = EventId.parse(event_id)
        except ValueError as error:
            raise NotFound(str(error)) from None
        rows = self._all(
            "SELECT e.number FROM events AS e WHERE e.generation = (SELECT g.number FROM generations AS g"
            " JOIN sources AS s ON s.number = g.source WHERE s.name = ? AND g.name = ?)"
            " AND e.position = ? AND e.ordinal = ? AND e.revision = ?",
            (source, generation, position, ordinal, revision),
        )
        if not rows:
            raise NotFound(f"there is no event {event_id} of {source} in {self.head().name}")
        return int(rows[0][0])

    def siblings(self, numbers: Sequence[int]) -> list[Sibling]:
        """See StoreReader."""
        found: dict[int, Sibling] = {}
        for start in range(0, len(numbers), _CHUNK):
            part = numbers[start : start + _CHUNK]
            sql = (
                "WITH raw AS (SELECT DISTINCT generation, position FROM events WHERE number IN"
                f" ({','.join('?' * len(part))})) SELECT g.source, g.name, e.position, e.revision, e.ordinal, e.number"
                " FROM raw CROSS JOIN events AS e ON e.generation = raw.generation AND e.position = raw.position"
                " JOIN generations AS g ON g.number = e.generation"
            )
            for source, *rest in self._all(sql, part):
                try:
                    sibling = Sibling(self._sources.get(source) or self._source(source), *rest)
                except KeyError:
                    raise RecordDamaged(
                        f"{self._path}: there is no source {source}, but events of it"
                    ) from None
                found[sibling.number] = sibling
        return list(found.values())

    def contradicted(self, numbers: Sequence[int]) -> dict[int, list[int]]:
        """See StoreReader."""
        found: dict[int, list[int]] = {}
        for start in range(0, len(numbers), _CHUNK):
            part = numbers[start : start + _CHUNK]
            sql = (
                f"SELECT event, commit_no FROM conflicts WHERE event IN ({','.join('?' * len(part))})"
                " ORDER BY event, commit_no"
            )
            for event, commit in self._all(sql, part):
                found.setdefault(event, []).append(commit)
        return found

    def progress(self) -> list[Progress]:
        """See StoreReader."""
        try:
            return sorted(progress_of(row[1:]) for row in self._all(PROGRESS))
        except UNREADABLE as error:
            raise RecordDamaged(
                f"{self._path}: the progress of a source cannot be read ({error!r})"
            ) from error

    def states(self) -> dict[str, bytes]:
        """See StoreReader."""
        sql = "SELECT name, state FROM source_states JOIN sources ON number = source ORDER BY name"
        return dict(self._all(sql))

    def states_received(self) -> dict[str, int]:
        """See StoreReader."""
        sql = "SELECT name, received_at FROM source_states JOIN sources ON number = source ORDER BY name"
        return dict(self._all(sql))

    def refusals(self, after: int = 0, limit: int = 100, resolved: bool = False) -> list[RefusedRow]:
        """See StoreReader."""
        which = "" if resolved else "resolved IS NULL AND"
        sql = f"{REFUSALS} WHERE {which} number > ? ORDER BY number LIMIT ?"
        return [refused_row(row) for row in self._all(sql, (after, limit))]

    def conflicts(self, after: int = 0, limit: int = 100) -> list[Conflict]:
        """See StoreReader."""
        sql = (
            "SELECT number, event, encoding, body, commit_no, first_seen, last_seen, times FROM conflicts"
            " WHERE number > ? ORDER BY number LIMIT ?"
        )
        return [
            Conflict(number, event, unpack(encoding, body), *rest)
            for number, event, encoding, body, *rest in self._all(sql, (after, limit))
        ]

    def reused(self) -> list[int]:
        """See StoreReader."""
        return [row[0] for row in self._all("SELECT event FROM reused ORDER BY event")]

    def digest(self, upto: int) -> str:
        """One hash for all events up to a number: SHA-256 over their leaf hashes, in order, hexadecimal."""
        from hashlib import sha256  # takes time to load, and most questions need none

        found = sha256()
        for start in range(0, upto, 20_000):
            sql = "SELECT number, leaf FROM events WHERE number > ? AND number <= ? ORDER BY number"
            for number, leaf in self._all(sql, (start, min(start + 20_000, upto))):
                if not isinstance(leaf, bytes):
                    raise RecordDamaged(f"{self._path}: the hash of event {number} is none")
                found.update(leaf)
        return found.hexdigest()

    def verify(self) -> Iterator[str | None]:
        """See StoreReader."""
        from broker_bridge.store.verify import findings

        return findings(self._connection)

    def backup(self, target: Path) -> None:
        """Copy the record as it is now to a new file, while its writer goes on; the copy is one file, checked.

        Put back in the record's place, it is known for a restored one by the mark that lies there. Raises
        StoreUnavailable when the target exists or cannot be written, RecordDamaged when the copy is not sound.
        """
        if target.exists():
            raise StoreUnavailable(f"{target} is there already; a backup overwrites nothing")
        unfinished = target.with_name(target.name + ".part")
        unfinished.unlink(missing_ok=True)
        try:
            make_file(unfinished)
            copy = sqlite3.connect(unfinished, isolation_level=None)
            try:
                # All pages in one step: in several, every commit of the writer would begin it anew.
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode=DELETE")
                verdict = copy.execute("PRAGMA quick_check(1)").fetchone()[0]
            finally:
                copy.close()
        except (sqlite3.OperationalError, OSError) as error:
            raise StoreUnavailable(f"{target} cannot be written: {error}") from error
        except sqlite3.DatabaseError as error:
            raise RecordDamaged(f"the copy of {self._path} is not sound: {error}") from error
        if verdict != "ok":
            raise RecordDamaged(f"the copy of {self._path} is not sound: {verdict}")
        try:
            with unfinished.open("rb") as file:
                os.fsync(file.fileno())  # what is not on the disk is no backup
            unfinished.rename(target)
        except OSError as error:
            raise StoreUnavailable(f"{target} cannot be written: {error.strerror}") from error

    def close(self) -> None:
        """See StoreReader."""
        self._connection.close()

    def _expect(self, events: int) -> None:
        if events > _MANY and self._loads is json.loads:
            import orjson  # decodes four times as fast; imported it takes as long as all else a question needs

            self._loads = orjson.loads

    def _keep(self, facts: Iterable[Fact]) -> None:
        """Keep what was read last; the record never changes it, and nobody may."""
        self._kept.update((fact.number, fact) for fact in facts)
        while len(self._kept) > _KEPT:
            self._kept.popitem(last=False)

    def _facts(self, rows: Sequence[Sequence[Any]]) -> list[Fact]:
        try:
            return [self._fact(row) for row in rows]
        except UNREADABLE as error:
            raise RecordDamaged(
                f"{self._path}: one of the events {rows[0][0]} to {rows[-1][0]} cannot be read ({error!r});"
                " `broker-bridge verify` tells which"
            ) from error

    def _fact(self, row: Sequence[Any]) -> Fact:
        number, commit, source, generation, position, ordinal, revision, kind, time, encoding, body = row
        return Fact(
            number,
            commit,
            self._sources.get(source) or self._source(source),
            generation,
            position,
            ordinal,
            revision,
            self._types.get(kind) or self._type(kind),
            text(time),
            self._loads(body if encoding == PLAIN else unpack(encoding, body))["data"],
        )

    def _source(self, number: int) -> str:
        self._sources = dict(self._all("SELECT number, name FROM sources"))
        return self._sources[number]

    def _type(self, number: int) -> str:
        self._types = dict(self._all("SELECT number, name FROM types"))
        return self._types[number]

    def _all(self, sql: str, parameters: Sequence[Any] = ()) -> list[Any]:
        try:
            return self._connection.execute(sql, parameters).fetchall()
        except sqlite3.OperationalError as error:
            raise StoreUnavailable(f"{self._path} cannot be read: {error}") from error
        except sqlite3.DatabaseError as error:
            raise RecordDamaged(f"{self._path} is malformed: {error}") from error

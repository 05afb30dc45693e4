"""The record in SQLite: its one writer.

Rules for maintainers: everything in memory here is a copy of the database and is thrown away when a transaction
fails (`_stale`); each `await` on the connection is a hop to its thread and back, so a commit makes as few as it
can; events are inserted first and asked about only when the count says that some were there already.
"""

import asyncio
import json
import logging
import sqlite3
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from broker_bridge.db import Held, lock, look_through, open_writer, transaction
from broker_bridge.errors import ConfigError, RecordDamaged
from broker_bridge.store.base import Arrival, Committed, Head, Heard, Progress, Refusal, RefusedRow
from broker_bridge.store.content import content
from broker_bridge.store.instants import microseconds
from broker_bridge.store.mark import Mark, MarkFile
from broker_bridge.store.names import Key, Names, fetch
from broker_bridge.store.numbers import GAP, advance, close, closure, covers, overlaps, spans
from broker_bridge.store.packing import PACK_FROM, PLAIN, leaf, pack, unpack
from broker_bridge.store.rows import REFUSALS, refused_row
from broker_bridge.store.schema import RECORD

if TYPE_CHECKING:
    import aiosqlite

log = logging.getLogger(__name__)

_INSERT: Final = (
    "INSERT OR IGNORE INTO events (commit_no, generation, position, ordinal, revision, type, time, epoch,"
    " sequence, encoding, leaf, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_FIND: Final = (
    "SELECT wanted.key, events.number, events.leaf FROM json_each(?) AS wanted CROSS JOIN events"
    " ON generation = json_extract(wanted.value, '$[0]') AND position = json_extract(wanted.value, '$[1]')"
    " AND ordinal = json_extract(wanted.value, '$[2]') AND revision = json_extract(wanted.value, '$[3]')"
)

Row = tuple[Any, ...]
"""A row of the table of events, in the order of _INSERT."""
_ID: Final = slice(1, 5)
_EPOCH: Final = 7
_SEQUENCE: Final = 8
_LEAF: Final = 10


class _Sorted(NamedTuple):
    """What became of the arrivals of one commit, by their place in it."""

    fresh: dict[int, int]
    """Place to number of the event."""
    duplicates: int
    conflicts: list[tuple[int, int]]
    """Place, and number of the event that was there first."""


def clock() -> int:
    """Now, in microseconds since 1970, UTC."""
    return time.time_ns() // 1000


class SqliteStore:
    """The one writer of a record. Open it with `open`, always close it: its thread keeps the process alive."""

    def __init__(
        self,
        connection: "aiosqlite.Connection",
        held: Held,
        mark: MarkFile,
        now: Callable[[], int],
    ) -> None:
        self._connection = connection
        self._held = held
        self._mark = mark
        self._now = now
        self._alone = asyncio.Lock()
        self._stale = True
        self._head = Head("", 0, 0, 0)
        self._names = Names(connection)

    @classmethod
    async def open(
        cls, path: Path, name: str, *, now: Callable[[], int] = clock, allow_network: bool = False
    ) -> "SqliteStore":
        """Open or create the record at `path`, called `name`.

        A record that lies behind its mark, or has none, was restored or moved here: its incarnation grows.
        Raises ConfigError when another process writes it or it bears another name, and what `open_writer` does.
        """
        held = lock(path, RECORD)
        try:
            mark = MarkFile(path)
            try:
                connection = await open_writer(path, RECORD, allow_network=allow_network)
                try:
                    await look_through(connection, path, RECORD, held.left_by, time.monotonic)
                    store = cls(connection, held, mark, now)
                    await store._begin(path, name)
                except BaseException:
                    await connection.close()
                    raise
            except BaseException:
                mark.close()
                raise
        except BaseException:
            held.close()
            raise
        return store

    async def commit(
        self,
        arrivals: Sequence[Arrival] = (),
        refusals: Sequence[Refusal] = (),
        heard: Sequence[Heard] = (),
        resolved: Sequence[int] = (),
    ) -> Committed:
        """See StoreWriter. Raises RecordDamaged when the database itself is malformed: stop, tell a person."""
        async with self._alone:
            try:
                if self._stale:
                    await self._load()
                self._stale = True
                async with transaction(self._connection):
                    result = await self._write(arrivals, refusals, heard, resolved)
                self._stale = False
            except (sqlite3.OperationalError, sqlite3.IntegrityError):
                raise
            except sqlite3.DatabaseError as error:
                raise RecordDamaged(f"the record is malformed: {error}") from error
            if result.commit:
                self._head = self._head._replace(commit=result.commit, number=self._head.number + result.new)
                self._mark.write(Mark(self._head.incarnation, self._head.commit))
            return result

    async def progress(self) -> list[Progress]:
        """See StoreWriter."""
        async with self._alone:
            if self._stale:
                await self._load()
            return [self._names.epochs[key].progress for key in sorted(self._names.epochs)]

    async def refusals(self, after: int, limit: int) -> list[RefusedRow]:
        """See StoreWriter."""
        async with self._alone:
            sql = f"{REFUSALS} WHERE resolved IS NULL AND number > ? ORDER BY number LIMIT ?"
            return [refused_row(row) for row in await self._all(sql, (after, limit))]

    async def head(self) -> Head:
        """See StoreWriter."""
        async with self._alone:
            if self._stale:
                await self._load()
            return self._head

    async def close(self) -> None:
        """See StoreWriter."""
        async with self._alone:
            try:
                await self._connection.close()
            finally:
                self._mark.close()
                self._held.close()

    # -- opening ------------------------------------------------------------------------------------------

    async def _begin(self, path: Path, name: str) -> None:
        mark = self._mark.read()
        found = await self._all("SELECT name, incarnation FROM record")
        if not found:
            born = self._now()
            incarnation = max(born // 1000, mark.incarnation + 1 if mark else 0)
            await self._run(
                "INSERT INTO record (one, name, incarnation, created) VALUES (1, ?, ?, ?)",
                (name, incarnation, born),
            )
        elif found[0][0] != name:
            raise ConfigError(
                f"{path} is the record {found[0][0]!r}, the configuration says {name!r}: edges know it by its name"
            )
        else:
            incarnation = found[0][1]
            commit = (await self._all("SELECT coalesce(max(number), 0) FROM commits"))[0][0]
            if mark is None or mark.incarnation > incarnation or mark.commit > commit:
                incarnation = max(incarnation, mark.incarnation if mark else 0) + 1
                log.warning(
                    "%s was restored or moved (commit %d, its mark says %s): incarnation %d; edges send again",
                    path, commit, mark.commit if mark else "nothing", incarnation,
                )  # fmt: skip
                await self._run("UPDATE record SET incarnation = ?", (incarnation,))
        await self._load()
        self._mark.write(Mark(self._head.incarnation, self._head.commit), flush=True)

    async def _load(self) -> None:
        """Read again what is kept in memory."""
        await self._run("SELECT 1")  # waits until the connection has done what a cancelled commit left behind
        if self._connection.in_transaction:
            await self._run("ROLLBACK")
        await self._names.load()
        head = await self._all(
            "SELECT name, incarnation, (SELECT coalesce(max(number), 0) FROM commits),"
            " (SELECT coalesce(max(number), 0) FROM events) FROM record"
        )
        self._head = Head(*head[0])
        self._stale = False

    # -- one commit ---------------------------------------------------------------------------------------

    async def _write(
        self,
        arrivals: Sequence[Arrival],
        refusals: Sequence[Refusal],
        heard: Sequence[Heard],
        resolved: Sequence[int],
    ) -> Committed:
        at = self._now()
        commit = self._head.commit + 1
        rows, numbers = await self._rows(arrivals, commit)
        fresh, duplicates, conflicts = await self._insert(rows, arrivals)
        kept = len(fresh)
        for place, there in conflicts:
            kept += await self._keep_conflict(arrivals[place].body, there, commit, at)
        for refusal in refusals:
            kept += await self._keep_refusal(refusal, commit, at)

        suspects = [place for place in self._suspects(rows, numbers) if place in fresh]
        for refusal in refusals:
            if refusal.source is not None and refusal.epoch is not None and refusal.sequence is not None:
                numbers.setdefault((refusal.source, refusal.epoch), []).append(refusal.sequence)
        moved: dict[Key, Progress] = {}
        for key, sequences in numbers.items():
            moved[key] = advance((await self._names.epoch(*key)).progress, spans(sequences))
        for source, epoch, last, state in heard:
            progress = moved.get((source, epoch)) or (await self._names.epoch(source, epoch)).progress
            moved[source, epoch] = progress._replace(last=max(progress.last, last))
            await self._keep_state(source, state, at)
        for place, (event, _) in enumerate(arrivals):
            if event.type == GAP and place in fresh and (gap := closure(event)) is not None:
                key = (event.source, gap[0])
                epoch_no, progress = await self._names.epoch(*key)
                moved[key], span = close(moved.get(key, progress), gap[1], gap[2])
                await self._run(
                    "INSERT INTO closures (event, epoch, first, last) VALUES (?, ?, ?, ?)",
                    (fresh[place], epoch_no, *span),
                )
        reused = 0
        for place in suspects:
            reused += await self._flag_reused(rows[place], fresh[place])

        await self._names.keep(moved)
        if kept:
            number = self._head.number
            await self._run(
                "INSERT INTO commits (number, first, last, committed_at) VALUES (?, ?, ?, ?)",
                (commit, number + 1, number + len(fresh), at),
            )
        if resolved:
            await self._connection.executemany(
                "UPDATE refusals SET resolved = ? WHERE number = ?",
                [(commit if kept else self._head.commit, number) for number in resolved],
            )
        return Committed(
            commit=commit if kept else 0,
            new=len(fresh),
            duplicates=duplicates,
            conflicts=len(conflicts),
            refused=len(refusals),
            reused=reused,
            progress=moved,
        )

    async def _insert(self, rows: list[Row], arrivals: Sequence[Arrival]) -> _Sorted:
        """Insert what is new; tell new ones, duplicates and conflicts apart."""
        if not rows:
            return _Sorted({}, 0, [])
        cursor = await self._connection.executemany(_INSERT, rows)
        if cursor.rowcount == len(rows):
            start = self._head.number + 1
            return _Sorted(dict(enumerate(range(start, start + len(rows)))), 0, [])
        fresh: dict[int, int] = {}
        conflicts: list[tuple[int, int]] = []
        met: set[int] = set()
        found = await self._all(_FIND, (json.dumps([row[_ID] for row in rows]),))
        if len(found) != len(rows):
            raise RecordDamaged(f"the index of ids finds {len(found)} of {len(rows)} events just written")
        for place, number, hashed in sorted(found):
            if number > self._head.number and number not in met:
                met.add(number)
                fresh[place] = number
            elif hashed != rows[place][_LEAF] and not await self._says(number, arrivals[place].body):
                conflicts.append((place, number))
        return _Sorted(fresh, len(rows) - len(fresh) - len(conflicts), conflicts)

    async def _says(self, number: int, body: bytes) -> bool:
        stored = await self._all("SELECT encoding, body FROM events WHERE number = ?", (number,))
        return content(unpack(*stored[0])) == content(body)

    async def _rows(self, arrivals: Sequence[Arrival], commit: int) -> tuple[list[Row], dict[Key, list[int]]]:
        """The arrivals as rows, and the sequences that came of each epoch."""
        try:
            return self._laid_out(arrivals, commit)
        except KeyError:
            await self._names.learn([event for event, _ in arrivals])
            return self._laid_out(arrivals, commit)

    def _laid_out(self, arrivals: Sequence[Arrival], commit: int) -> tuple[list[Row], dict[Key, list[int]]]:
        """As `_rows`; raises KeyError when a name is not known yet."""
        streams, types, generations = self._names.streams, self._names.types, self._names.generations
        rows: list[Row] = []
        numbers: dict[Key, list[int]] = {}
        for event, body in arrivals:
            source_no, epoch_no, key = streams[event.source, event.epoch]
            generation, position, ordinal, revision = event.id.split(".")
            encoding, packed = (PLAIN, body) if len(body) < PACK_FROM else pack(body)
            sequence = int(event.sequence)
            rows.append(
                (
                    commit, generations[source_no, generation], int(position), int(ordinal), int(revision),
                    types[event.type], microseconds(event.time), epoch_no, sequence, encoding, leaf(body), packed,
                )
            )  # fmt: skip
            if key in numbers:
                numbers[key].append(sequence)
            else:
                numbers[key] = [sequence]
        return rows, numbers

    def _suspects(self, rows: Sequence[Row], numbers: Mapping[Key, list[int]]) -> list[int]:
        """Places of arrivals whose number was committed before, or came earlier in this commit."""
        if all(
            len(set(sequences)) == len(sequences)
            and not overlaps(self._names.epochs[key].progress, sequences)
            for key, sequences in numbers.items()
        ):
            return []
        progress = {epoch.number: epoch.progress for epoch in self._names.epochs.values()}
        suspects = []
        seen: set[tuple[int, int]] = set()
        for place, row in enumerate(rows):
            epoch_no, sequence = row[_EPOCH], row[_SEQUENCE]
            if (epoch_no, sequence) in seen or covers(progress[epoch_no], sequence):
                suspects.append(place)
            seen.add((epoch_no, sequence))
        return suspects

    async def _flag_reused(self, row: Row, number: int) -> bool:
        """Flag an event whose number is taken, unless a refusal or a stated gap explains that."""
        explained = await self._all(
            "SELECT 1 FROM refusals AS r JOIN epochs AS e ON e.epoch = r.epoch JOIN sources AS s"
            " ON s.number = e.source AND s.name = r.source WHERE e.number = ?1 AND r.sequence = ?2"
            " UNION ALL SELECT 1 FROM closures WHERE epoch = ?1 AND ?2 BETWEEN first AND last LIMIT 1",
            (row[_EPOCH], row[_SEQUENCE]),
        )
        if not explained:
            await self._run("INSERT INTO reused (event) VALUES (?)", (number,))
        return not explained

    async def _keep_conflict(self, body: bytes, event: int, commit: int, at: int) -> bool:
        encoding, packed = pack(body)
        kept = await self._all(
            "INSERT INTO conflicts (event, commit_no, first_seen, last_seen, times, content, encoding, leaf, body)"
            " VALUES (?, ?, ?, ?, 1, ?, ?, ?, ?) ON CONFLICT (event, content)"
            " DO UPDATE SET times = times + 1, last_seen = excluded.last_seen RETURNING times",
            (event, commit, at, at, content(body), encoding, leaf(body), packed),
        )
        return bool(kept[0][0] == 1)

    async def _keep_refusal(self, refusal: Refusal, commit: int, at: int) -> bool:
        encoding, packed = pack(refusal.body)
        kept = await self._all(
            "INSERT INTO refusals (topic, code, reason, source, epoch, sequence, commit_no, first_seen, last_seen,"
            " times, encoding, leaf, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?) ON CONFLICT (topic, leaf)"
            " DO UPDATE SET times = times + 1, last_seen = excluded.last_seen RETURNING times",
            (
                refusal.topic, refusal.code, refusal.reason, refusal.source, refusal.epoch, refusal.sequence,
                commit, at, at, encoding, leaf(refusal.body), packed,
            ),
        )  # fmt: skip
        return bool(kept[0][0] == 1)

    async def _keep_state(self, source: str, state: bytes, at: int) -> None:
        await self._run(
            "INSERT INTO source_states (source, received_at, state) VALUES (?, ?, ?) ON CONFLICT (source)"
            " DO UPDATE SET received_at = excluded.received_at, state = excluded.state",
            (await self._names.source(source), at, state),
        )

    async def _all(self, sql: str, parameters: Iterable[Any] = ()) -> list[Any]:
        return await fetch(self._connection, sql, parameters)

    async def _run(self, sql: str, parameters: Iterable[Any] = ()) -> None:
        await fetch(self._connection, sql, parameters)

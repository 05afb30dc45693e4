"""The outbox: every event that was taken in, numbered, on disk until a record has it.

It exists because nothing behind it can be trusted to remember: an MQTT client keeps its outgoing messages in
memory only, and a broker may acknowledge messages, be killed and deliver none of them. So events leave the
outbox only when a live receipt of the configured record covers them, and stay some days longer for a record
that is restored from a backup.

Events and read positions are written in one transaction. Numbers are gap-free per source within the outbox's
epoch; the epoch is the time of its birth and only grows. Beside the database lies a list of all epochs: an outbox that is
lost before any record has heard of it would otherwise be lost without a word.
"""

import asyncio
import json
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypeVar

from broker_bridge.adapters.base import Request, Taking
from broker_bridge.db import Held as HeldFile
from broker_bridge.db import Kind, lock, look_through, open_writer, transaction
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.belonging import stranger
from broker_bridge.edge.epochs import note_epoch, read_epochs
from broker_bridge.edge.persons import Persons
from broker_bridge.errors import ConfigError, OutboxFull, StoreUnavailable
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import encode_event

if TYPE_CHECKING:
    import aiosqlite

KIND: Final = Kind(
    name="outbox",
    application_id=0x42424F42,  # "BBOB"
    migrations=(
        """
        CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
        CREATE TABLE sources (
            source_no INTEGER PRIMARY KEY,
            source TEXT NOT NULL UNIQUE,
            last INTEGER NOT NULL DEFAULT 0,
            receipted INTEGER NOT NULL DEFAULT 0
        ) STRICT;
        CREATE TABLE events (
            place INTEGER PRIMARY KEY,
            station TEXT,
            type TEXT NOT NULL,
            taken_ms INTEGER NOT NULL,
            body BLOB NOT NULL
        ) STRICT;
        CREATE TABLE state (
            source_no INTEGER NOT NULL,
            key TEXT NOT NULL,
            value BLOB NOT NULL,
            PRIMARY KEY (source_no, key)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE requests (
            number INTEGER PRIMARY KEY,
            source TEXT NOT NULL,
            action TEXT NOT NULL,
            arguments TEXT NOT NULL,
            asked_ms INTEGER NOT NULL,
            answered_ms INTEGER,
            outcome TEXT
        ) STRICT;
        """,
    ),
)

_SPAN: Final = 2**40
"""Numbers a source can give: an event's place is source_no * _SPAN + sequence, so a source's events lie together."""

_KEEP_BYTES: Final = 8 * 2**30
"""Receipted events are kept for a restored record up to this size, whatever the days say."""

_TRIM_STEP: Final = 20_000
_TRIED_S: Final = 120.0
"""Who cannot keep events tries again within a minute at most: a failure that is older says nothing of now."""
_NEVER_MS: Final = 2**62

Result = TypeVar("Result")
Clock = Callable[[], datetime]


def now_utc() -> datetime:
    """The wall clock."""
    return datetime.now(UTC)


class Held(NamedTuple):
    """One event in the outbox."""

    sequence: int
    station: str | None
    type: str
    body: bytes


class SourceLevel(NamedTuple):
    """How much of one source is held."""

    last: int
    receipted: int
    oldest: int
    backlog: int
    backlog_bytes: int


def place(source_no: int, sequence: int) -> int:
    """Where an event lies in the outbox."""
    return source_no * _SPAN + sequence


class _Source:
    """What is known of a source without asking the database."""

    def __init__(self, number: int, name: str, last: int, receipted: int, backlog_bytes: int) -> None:
        self.number = number
        self.name = name
        self.last = last
        self.receipted = receipted
        self.backlog_bytes = backlog_bytes
        self.counters: Counter[str] = Counter()
        self.condition = "starting"
        self.detail = ""
        self.since = 0.0
        """When the condition began, by the outbox's monotonic clock."""

    def place(self, sequence: int) -> int:
        return place(self.number, sequence)


class Outbox:
    """One file for all sources of an edge. Open with `Outbox.open`, close with `close`."""

    def __init__(
        self,
        connection: "aiosqlite.Connection",
        held: HeldFile,
        archive: Archive,
        ceiling_bytes: int,
        clock: Clock,
        persons: Persons | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._connection = connection
        self._lock_file = held
        self._writing = asyncio.Lock()
        self._sources: dict[str, _Source] = {}
        self._stale = False
        """What is kept in memory of the sources may not be what the database has."""
        self._persons = persons
        self._monotonic = monotonic
        self._failed: tuple[str, float] | None = None
        """Why events could not be kept at the last attempt, and when; None when they could."""
        self.archive = archive
        self.ceiling_bytes = ceiling_bytes
        self.clock = clock
        self.epoch = 0
        self.before: tuple[int, ...] = ()
        """Epochs of the outboxes that were lost here before this one, the oldest first."""
        self.incarnation = 0
        """Highest incarnation of the record seen so far."""
        self.met = 0
        """The incarnation that the record had when it was first heard of here; 0: not yet."""
        self.changed = asyncio.Event()
        """Set when events are added; then another one stands here, for whoever looks next."""

    @classmethod
    async def open(
        cls,
        path: Path,
        *,
        archive: Archive,
        ceiling_bytes: int,
        clock: Clock = now_utc,
        persons: Persons | None = None,
        site: str | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> "Outbox":
        """Open or create the outbox at `path`. `persons` takes names out of events before they are kept. `site`: the plant
        it has to belong to; None where that is not asked. `monotonic` counts seconds.

        Raises ConfigError when another edge holds it, or when it holds events of another plant."""
        held = lock(path, KIND)
        try:
            connection = await open_writer(path, KIND)
        except BaseException:
            held.close()
            raise
        outbox = cls(connection, held, archive, ceiling_bytes, clock, persons, monotonic)
        try:
            await look_through(connection, path, KIND, held.left_by, monotonic)
            await outbox._begin(path.with_name(path.name + ".epochs"))
            if site is not None and (why := stranger(path, outbox.sources(), site)) is not None:
                raise ConfigError(why)
        except BaseException:
            await outbox.close()
            raise
        return outbox

    async def close(self) -> None:
        """Wait for what is being written, then let go of the file."""
        async with self._writing:
            await self._connection.close()
            self._lock_file.close()

    def wake(self) -> None:
        """Let whoever waits for `changed` look at the outbox."""
        self.changed.set()
        self.changed = asyncio.Event()

    async def writer(self, source: str) -> "OutboxWriter":
        """The writer of one source; the source is made known to the outbox."""
        if source not in self._sources:

            async def add() -> None:
                await self._connection.execute("INSERT INTO sources (source) VALUES (?)", (source,))

            await self._write(add)
            await self._guarded(self._load)
        return OutboxWriter(self, self._sources[source])

    def sources(self) -> list[str]:
        """All sources this outbox knows."""
        return list(self._sources)

    def level(self, source: str) -> SourceLevel:
        """How much of a source is held. `oldest` is a lower bound until `oldest_held` was asked."""
        entry = self._sources[source]
        return SourceLevel(
            last=entry.last,
            receipted=entry.receipted,
            oldest=entry.receipted + 1,
            backlog=entry.last - entry.receipted,
            backlog_bytes=entry.backlog_bytes,
        )

    def condition(self, source: str) -> tuple[str, str, dict[str, int]]:
        """Condition, detail and counters which the source's adapter reported."""
        entry = self._sources[source]
        return entry.condition, entry.detail, dict(entry.counters)

    def lasting(self, source: str) -> float:
        """Seconds for which the source's adapter has reported the condition it reported last."""
        return self._monotonic() - self._sources[source].since

    @property
    def trouble(self) -> str:
        """Why events cannot be kept now; empty when they can, or when nobody has tried for a while."""
        if self._failed is None or self._monotonic() - self._failed[1] > _TRIED_S:
            return ""
        return self._failed[0]

    def note_condition(self, source: str, condition: str, detail: str) -> None:
        """See SourceWriter.report."""
        entry = self._sources[source]
        if condition != entry.condition or not entry.since:
            entry.since = self._monotonic()
        entry.condition, entry.detail = condition, detail

    def backlog_bytes(self) -> int:
        """Bytes of events that no record has yet."""
        return sum(entry.backlog_bytes for entry in self._sources.values())

    async def oldest_held(self, source: str) -> int:
        """The oldest sequence number still held; last + 1 when none is."""
        entry = self._sources[source]
        row = await self._one(
            "SELECT min(place) FROM events WHERE place BETWEEN ? AND ?",
            entry.place(0),
            entry.place(_SPAN - 1),
        )
        return entry.last + 1 if row is None or row[0] is None else int(row[0]) - entry.place(0)

    async def held(self, source: str, first: int, last: int, limit: int) -> list[Held]:
        """The events of a range that are held, in order, at most `limit`."""
        entry = self._sources[source]
        async with self._connection.execute(
            "SELECT place, station, type, body FROM events WHERE place BETWEEN ? AND ? ORDER BY place LIMIT ?",
            (entry.place(first), entry.place(last), limit),
        ) as cursor:
            rows = await cursor.fetchall()
        base = entry.place(0)
        return [Held(place - base, station, type_name, body) for place, station, type_name, body in rows]

    async def receipt(
        self, source: str, contiguous: int, incarnation: int, *, forgotten: bool = False
    ) -> None:
        """Note that the record has everything up to `contiguous`.

        A higher incarnation than before is a restored record: what it lacks becomes backlog again. A lower one
        is an old message and changes nothing; so is less than before in the same incarnation, unless the caller
        knows that the record has `forgotten` it.
        """
        entry = self._sources[source]
        contiguous = min(contiguous, entry.last)
        restored = incarnation > self.incarnation
        if incarnation < self.incarnation or (not restored and contiguous == entry.receipted):
            return
        if not restored and not forgotten and contiguous < entry.receipted:
            return

        async def note() -> None:
            if restored:
                await self._put_meta("incarnation", str(incarnation))
                await self._connection.execute(
                    "UPDATE sources SET receipted = 0 WHERE source != ?", (source,)
                )
            await self._connection.execute(
                "UPDATE sources SET receipted = ? WHERE source_no = ?", (contiguous, entry.number)
            )

        await self._write(note)
        before, entry.receipted = entry.receipted, contiguous
        if restored:
            self.met, self.incarnation = self.met or incarnation, incarnation
            for other in self._sources.values():
                other.receipted = contiguous if other is entry else 0
                other.backlog_bytes = await self._bytes(other, other.receipted + 1)
        elif contiguous < before:
            entry.backlog_bytes = await self._bytes(entry, contiguous + 1)
        else:
            gone = await self._bytes(entry, before + 1, contiguous)
            entry.backlog_bytes = max(0, entry.backlog_bytes - gone)

    async def trim(self, keep: timedelta) -> int:
        """Forget receipted events older than `keep`, sooner when they take too much room; returns how many.

        Call it now and then: a call forgets a bounded number, so that adapters are not kept waiting.
        """
        before = int((self.clock() - keep).timestamp() * 1000)
        if await self._used_bytes() - self.backlog_bytes() > _KEEP_BYTES:
            before = _NEVER_MS
        forgotten = 0
        for entry in self._sources.values():

            async def forget(first: int = entry.place(0), last: int = entry.place(entry.receipted)) -> int:
                cursor = await self._connection.execute(
                    "DELETE FROM events WHERE place IN"
                    " (SELECT place FROM events WHERE place BETWEEN ? AND ? AND taken_ms < ? LIMIT ?)",
                    (first, last, before, _TRIM_STEP),
                )
                return cursor.rowcount

            forgotten += await self._write(forget)
        return forgotten

    # -- what the source writers need ---------------------------------------------------------------------

    async def take(
        self,
        source: str,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None,
        *,
        reserved: bool = False,
    ) -> int:
        """See SourceWriter.take. `reserved`: may use the room kept free for stating gaps."""
        entry = self._sources[source]

        async def keep() -> int:
            now = self.clock()
            rows, size = _rows(entry, takings, now, self.epoch, self._persons)
            if rows and not reserved and self.backlog_bytes() + size > self.ceiling_bytes:
                raise OutboxFull(
                    f"{source}: {len(rows)} events of {size:,} bytes do not fit: {self.backlog_bytes():,} of"
                    f" {self.ceiling_bytes:,} bytes wait for a record"
                )
            async with transaction(self._connection):
                await self._connection.executemany("INSERT INTO events VALUES (?, ?, ?, ?, ?)", rows)
                await self._connection.execute(
                    "UPDATE sources SET last = ? WHERE source_no = ?", (entry.last + len(rows), entry.number)
                )
                if state:
                    await self._put_state(entry, state)
            entry.last += len(rows)
            entry.backlog_bytes += size
            return len(rows)

        try:
            kept = await self._guarded(keep)
        except StoreUnavailable as error:
            self._failed = str(error), self._monotonic()
            raise
        if kept or state:
            self._failed = None
        if kept:
            self.wake()
        return kept

    async def get_state(self, source: str, key: str) -> bytes | None:
        """See SourceWriter.state."""
        entry = self._sources[source]
        row = await self._one("SELECT value FROM state WHERE source_no = ? AND key = ?", entry.number, key)
        return None if row is None else bytes(row[0])

    async def get_states(self, source: str, prefix: str) -> dict[str, bytes]:
        """See SourceWriter.states."""
        entry = self._sources[source]
        async with self._connection.execute(
            "SELECT key, value FROM state WHERE source_no = ? AND key >= ? AND key < ? ORDER BY key",
            (entry.number, prefix, prefix + "\U0010ffff"),
        ) as cursor:
            return {key: bytes(value) for key, value in await cursor.fetchall()}

    async def open_requests(self, source: str) -> list[Request]:
        """See SourceWriter.requests."""
        async with self._connection.execute(
            "SELECT number, action, arguments FROM requests"
            " WHERE source = ? AND answered_ms IS NULL ORDER BY number",
            (source,),
        ) as cursor:
            return [
                Request(number, action, json.loads(text)) for number, action, text in await cursor.fetchall()
            ]

    async def answer(self, request: Request, outcome: str) -> None:
        """See SourceWriter.answer."""
        now_ms = int(self.clock().timestamp() * 1000)

        async def note() -> None:
            await self._connection.execute(
                "UPDATE requests SET answered_ms = ?, outcome = ? WHERE number = ?",
                (now_ms, outcome, request.number),
            )

        await self._write(note)

    # -- inside -------------------------------------------------------------------------------------------

    async def _begin(self, epochs: Path) -> None:
        row = await self._one("SELECT value FROM meta WHERE key = 'epoch'")
        known = read_epochs(epochs)
        if row is None:
            self.epoch = max(int(self.clock().timestamp() * 1000), *(epoch + 1 for epoch in known), 0)
        else:
            self.epoch = int(row[0])
        if self.epoch not in known:
            note_epoch(epochs, self.epoch)
        if row is None:
            await self._write(lambda: self._put_meta("epoch", str(self.epoch)))
        self.before = tuple(epoch for epoch in known if epoch < self.epoch)
        await self._load()

    async def _load(self) -> None:
        """Read again what is kept in memory; nobody may be writing."""
        row = await self._one("SELECT value FROM meta WHERE key = 'incarnation'")
        self.incarnation = 0 if row is None else int(row[0])
        self.met = self.met or self.incarnation
        async with self._connection.execute(
            "SELECT source_no, source, last, receipted FROM sources"
        ) as cursor:
            rows = await cursor.fetchall()
        for number, name, last, receipted in rows:
            entry = self._sources.setdefault(name, _Source(number, name, 0, 0, 0))
            entry.last, entry.receipted = last, receipted
            entry.backlog_bytes = await self._bytes(entry, receipted + 1)
        self._stale = False

    async def _used_bytes(self) -> int:
        row = await self._one(
            "SELECT (page_count - freelist_count) * page_size"
            " FROM pragma_page_count(), pragma_freelist_count(), pragma_page_size()"
        )
        return 0 if row is None else int(row[0])

    async def _bytes(self, entry: _Source, first: int, last: int = _SPAN - 1) -> int:
        row = await self._one(
            "SELECT coalesce(sum(length(body)), 0) FROM events WHERE place BETWEEN ? AND ?",
            entry.place(first),
            entry.place(last),
        )
        return 0 if row is None else int(row[0])

    async def _one(self, sql: str, *arguments: object) -> Sequence[Any] | None:
        async with self._connection.execute(sql, arguments) as cursor:
            row = await cursor.fetchone()
        return None if row is None else tuple(row)

    async def _put_meta(self, key: str, value: str) -> None:
        await self._connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    async def _put_state(self, entry: _Source, state: Mapping[str, bytes | None]) -> None:
        await self._connection.executemany(
            "INSERT OR REPLACE INTO state VALUES (?, ?, ?)",
            [(entry.number, key, value) for key, value in state.items() if value is not None],
        )
        await self._connection.executemany(
            "DELETE FROM state WHERE source_no = ? AND key = ?",
            [(entry.number, key) for key, value in state.items() if value is None],
        )

    async def _write(self, action: Callable[[], Awaitable[Result]]) -> Result:
        async def within() -> Result:
            async with transaction(self._connection):
                return await action()

        return await self._guarded(within)

    async def _guarded(self, action: Callable[[], Awaitable[Result]]) -> Result:
        # A cancelled caller must not leave half a transaction on the shared connection, so what has begun ends.
        async def alone() -> Result:
            async with self._writing:
                if self._stale:
                    await self._load()
                try:
                    return await action()
                except StoreUnavailable:
                    # An error told for a commit does not prove that it took no effect.
                    self._stale = True
                    raise

        return await asyncio.shield(asyncio.ensure_future(alone()))


class OutboxWriter:
    """The SourceWriter of one source."""

    def __init__(self, outbox: Outbox, entry: _Source) -> None:
        self._outbox = outbox
        self._entry = entry

    @property
    def source(self) -> str:
        return self._entry.name

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        return await self._outbox.take(self.source, takings, state, reserved=reserved)

    async def state(self, key: str) -> bytes | None:
        return await self._outbox.get_state(self.source, key)

    async def states(self, prefix: str) -> dict[str, bytes]:
        return await self._outbox.get_states(self.source, prefix)

    async def archive(self, raw: bytes) -> str:
        return await asyncio.to_thread(self._outbox.archive.put, raw, self._outbox.clock())

    async def archived(self, digest: str) -> bytes | None:
        return await asyncio.to_thread(self._outbox.archive.get, digest)

    async def requests(self) -> list[Request]:
        return await self._outbox.open_requests(self.source)

    async def answer(self, request: Request, outcome: str) -> None:
        await self._outbox.answer(request, outcome)

    def count(self, **counters: int) -> None:
        self._entry.counters.update(counters)

    def report(self, condition: str, detail: str = "") -> None:
        self._outbox.note_condition(self.source, condition, detail)


_Row = tuple[int, str | None, str, int, bytes]


def _rows(
    entry: _Source, takings: Sequence[Taking], now: datetime, epoch: int, persons: Persons | None
) -> tuple[list[_Row], int]:
    rows: list[_Row] = []
    size = 0
    sequence = entry.last
    taken_ms = int(now.timestamp() * 1000)
    for taking in takings:
        for ordinal, statement in enumerate(taking.statements):
            if statement.data.origin.events != len(taking.statements):
                raise ValueError(
                    f"{entry.name}: origin.events is {statement.data.origin.events} in a taking of"
                    f" {len(taking.statements)} statements"
                )
            sequence += 1
            body = encode_event(
                event_id=EventId(taking.generation, taking.position, ordinal, taking.revision),
                source=entry.name,
                data=statement.data if persons is None else persons.without_names(statement.data),
                time=statement.time,
                subject=statement.subject,
                recordedtime=now,
                sequence=sequence,
                epoch=epoch,
                rawname=taking.rawname,
            )
            size += len(body)
            rows.append((entry.place(sequence), statement.data.station, statement.data.TYPE, taken_ms, body))
    return rows, size

"""Follows the record's commits and keeps the index up to date.

What a commit adds and the new cursor are one transaction, so the index is always that of a whole commit. It may
be killed at any time; it goes on where it was. A record that was restored is indexed anew from its beginning.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from broker_bridge.db import lock, open_writer, transaction
from broker_bridge.errors import NotFound, StoreUnavailable, StoreVersionError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import entry
from broker_bridge.projector.schema import INDEX, index_path
from broker_bridge.store.base import Head
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.trace.mentions import Node

if TYPE_CHECKING:
    import aiosqlite

log = logging.getLogger(__name__)

STEP: Final = 2000
"""Events of one transaction at most, whole commits only beyond it."""
POLL_S: Final = 0.1
_NAMES: Final = 200_000
"""Names kept in memory; others are looked up."""


class Projector:
    """The one writer of an index. Open it with `open`, always close it."""

    def __init__(
        self, connection: "aiosqlite.Connection", held: IO[str], reader: SqliteReader, record: Path
    ) -> None:
        self._record = record
        self._inode = record.stat().st_ino
        self._connection = connection
        self._held = held
        self._reader = reader
        self._names: dict[Node, int] = {}
        self._sources: set[str] = set()
        self._number = 0
        self.commit = 0
        """The index is as of this commit."""

    @classmethod
    async def open(cls, record: Path) -> "Projector":
        """Open or make the index of a record.

        Raises NotFound while there is no record, ConfigError when another process keeps the index.
        """
        path = index_path(record)
        reader = SqliteReader(record)
        try:
            head = reader.head()
            held = lock(path, INDEX)
        except BaseException:
            reader.close()
            raise
        try:
            connection = await _fitting(path, head)
        except BaseException:
            held.close()
            reader.close()
            raise
        projector = cls(connection, held, reader, record)
        try:
            await projector._load(head)
        except BaseException:
            await projector.close()
            raise
        return projector

    async def close(self) -> None:
        """Let go of index and record."""
        await self._connection.close()
        self._held.close()
        self._reader.close()

    async def run(self) -> None:
        """Follow the record for ever. Raises NotFound when the record was replaced: open anew."""
        wait = POLL_S
        while True:
            try:
                if await self.step():
                    continue
                wait = POLL_S
                self._still_there()
            except StoreUnavailable as error:
                log.warning("the index waits: %s", error)
                wait = min(2 * wait, 5.0)
            await asyncio.sleep(wait)

    async def catch_up(self, progress: Callable[[int, int], None] = lambda done, total: None) -> None:
        """Bring the index to the record's newest commit; `progress` is told events done and events there."""
        while await self.step():
            progress(self._number, self._reader.head().number)

    async def step(self) -> bool:
        """Take in some whole commits; False when there is nothing new."""
        head = self._reader.head()
        if head.commit == self.commit:
            return False
        facts = await asyncio.to_thread(self._reader.after, self._number, STEP)
        if len(facts) < STEP:
            facts = [fact for fact in facts if fact.commit <= head.commit]
            last = head.commit
        elif facts[0].commit < facts[-1].commit:
            facts = [fact for fact in facts if fact.commit < facts[-1].commit]
            last = facts[-1].commit
        else:
            last = facts[-1].commit
            rest = self._reader.last_number(last) - facts[-1].number
            facts += await asyncio.to_thread(self._reader.after, facts[-1].number, rest) if rest else []
        await self._add(facts, last)
        return True

    def _still_there(self) -> None:
        try:
            present = self._record.stat().st_ino
        except OSError:
            present = 0
        if present != self._inode:
            raise NotFound(f"{self._record} was replaced by another file")

    async def _add(self, facts: Sequence[Fact], commit: int) -> None:
        entries = await asyncio.to_thread(lambda: [(fact, entry(fact)) for fact in facts])
        fresh = {node for _, added in entries for node in added.names if node not in self._names}
        fresh |= {
            node for _, added in entries for tie in added.ties for node in tie if node not in self._names
        }
        number = facts[-1].number if facts else self._number
        try:
            async with transaction(self._connection):
                await self._learn(sorted(fresh))
                ids = self._names
                many = self._connection.executemany
                await many(
                    "INSERT OR IGNORE INTO named VALUES (?, ?)",
                    [(ids[node], fact.number) for fact, added in entries for node in added.names],
                )
                await many(
                    "INSERT OR IGNORE INTO ties VALUES (?, ?, ?)",
                    [
                        (*pair, fact.number)
                        for fact, added in entries
                        for a, b in added.ties
                        for pair in ((ids[a], ids[b]), (ids[b], ids[a]))
                    ],
                )
                await many(
                    "INSERT OR IGNORE INTO revised VALUES (?, ?, ?, ?)",
                    [(f.source, f.generation, f.position, f.number) for f in facts if f.revision > 1],
                )
                await many(
                    "INSERT OR IGNORE INTO notices VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [
                        (
                            f.number,
                            n.notice.line,
                            f.type,
                            f.source,
                            f.generation,
                            n.notice.since,
                            n.notice.until,
                        )
                        for f, n in entries
                        if n.notice is not None
                    ],
                )
                await many(
                    "INSERT OR IGNORE INTO sources VALUES (?, ?, ?)",
                    [
                        (f.source, f.source.rpartition("/")[0], f.number)
                        for f in facts
                        if f.source not in self._sources
                    ],
                )
                await self._connection.execute(
                    "UPDATE cursor SET commit_no = ?, number = ?", (commit, number)
                )
        except BaseException:
            self._names.clear()
            raise
        self._sources |= {fact.source for fact in facts}
        self._number, self.commit = number, commit
        if len(self._names) > _NAMES:
            self._names.clear()

    async def _learn(self, nodes: Sequence[Node]) -> None:
        for at in range(0, len(nodes), 300):
            some = nodes[at : at + 300]
            await self._connection.executemany(
                "INSERT OR IGNORE INTO names (kind, value) VALUES (?, ?)",
                [(node.kind, node.value) for node in some],
            )
            marks = ",".join(["(?, ?)"] * len(some))
            async with self._connection.execute(
                f"SELECT kind, value, name FROM names WHERE (value, kind) IN (VALUES {marks})",
                [text for node in some for text in (node.value, node.kind)],
            ) as cursor:
                for kind, value, name in await cursor.fetchall():
                    self._names[Node(kind, value)] = name

    async def _load(self, head: Head) -> None:
        async with self._connection.execute("SELECT commit_no, number FROM cursor") as cursor:
            row = await cursor.fetchone()
        if row is None:
            async with transaction(self._connection):
                await self._connection.execute(
                    "INSERT INTO cursor VALUES (1, ?, ?, 0, 0)", (head.name, head.incarnation)
                )
            return
        self.commit, self._number = row


async def _fitting(path: Path, head: Head) -> "aiosqlite.Connection":
    """The index at `path` if it is one of this record and incarnation; else a new one in its place."""
    try:
        connection = await open_writer(path, INDEX, synchronous="NORMAL")
    except StoreVersionError:
        log.warning("%s is not an index of this program: making it anew", path)
        _remove(path)
        return await open_writer(path, INDEX, synchronous="NORMAL")
    async with connection.execute("SELECT record, incarnation FROM cursor") as cursor:
        row = await cursor.fetchone()
    if row is None or tuple(row) == (head.name, head.incarnation):
        return connection
    log.warning("%s belongs to another record or incarnation: making it anew", path)
    await connection.close()
    _remove(path)
    return await open_writer(path, INDEX, synchronous="NORMAL")


def _remove(path: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


async def follow(record: Path) -> None:
    """Keep the index of a record for ever, waiting for the record to be there."""
    while True:
        try:
            projector = await Projector.open(record)
        except (NotFound, StoreUnavailable):
            await asyncio.sleep(POLL_S)
            continue
        try:
            await projector.run()
        except NotFound as error:
            log.warning("the index begins anew: %s", error)
        finally:
            await projector.close()


def bring_up(record: Path, progress: Callable[[int, int], None] = lambda done, total: None) -> None:
    """Bring the index of a record up to date, for a reader when no projector runs. Raises as `Projector.open`."""

    async def once() -> None:
        projector = await Projector.open(record)
        try:
            await projector.catch_up(progress)
        finally:
            await projector.close()

    asyncio.run(once())

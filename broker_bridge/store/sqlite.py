"""The record in SQLite: its one writer, for an event loop.

Every call is one way to the record's thread and back: what is kept in memory belongs to that thread.
"""

import asyncio
import logging
import sqlite3
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from broker_bridge.db import Held, lock, look_through, open_writer, writing
from broker_bridge.errors import ConfigError, RecordDamaged
from broker_bridge.store.base import Arrival, Committed, Head, Heard, Progress, Refusal, RefusedRow
from broker_bridge.store.commits import Commits
from broker_bridge.store.mark import Mark, MarkFile
from broker_bridge.store.names import fetch
from broker_bridge.store.rows import REFUSALS, refused_row
from broker_bridge.store.schema import RECORD
from broker_bridge.store.thread import Thread

log = logging.getLogger(__name__)

Answer = TypeVar("Answer")


def clock() -> int:
    """Now, in microseconds since 1970, UTC."""
    return time.time_ns() // 1000


class SqliteStore:
    """The one writer of a record. Open it with `open`, always close it."""

    def __init__(self, thread: Thread, held: Held, mark: MarkFile, now: Callable[[], int]) -> None:
        self._thread = thread
        self._held = held
        self._mark = mark
        self._now = now
        self._alone = asyncio.Lock()
        self._commits: Commits | None = None
        """None: not loaded, or a transaction failed and what is in memory may not be what the database has."""

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
                finally:
                    await connection.close()
                thread = await Thread.open(path)
                try:
                    store = cls(thread, held, mark, now)
                    await thread.run(lambda connection: store._begin(connection, path, name))
                except BaseException:
                    await thread.close()
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
        return await self._ask(
            lambda connection: self._commit(connection, arrivals, refusals, heard, resolved)
        )

    async def progress(self) -> list[Progress]:
        """See StoreWriter."""

        def progress(connection: sqlite3.Connection) -> list[Progress]:
            epochs = self._loaded(connection).names.epochs
            return [epochs[key].progress for key in sorted(epochs)]

        return await self._ask(progress)

    async def refusals(self, after: int, limit: int) -> list[RefusedRow]:
        """See StoreWriter."""
        sql = f"{REFUSALS} WHERE resolved IS NULL AND number > ? ORDER BY number LIMIT ?"
        return await self._ask(
            lambda connection: [refused_row(row) for row in fetch(connection, sql, (after, limit))]
        )

    async def head(self) -> Head:
        """See StoreWriter."""
        return await self._ask(lambda connection: self._loaded(connection).head)

    async def close(self) -> None:
        """See StoreWriter."""
        async with self._alone:
            try:
                await self._thread.close()
            finally:
                self._mark.close()
                self._held.close()

    async def _ask(self, work: Callable[[sqlite3.Connection], Answer]) -> Answer:
        async with self._alone:
            return await self._thread.run(work)

    # -- on the record's thread ---------------------------------------------------------------------------

    def _begin(self, connection: sqlite3.Connection, path: Path, name: str) -> None:
        mark = self._mark.read()
        found = fetch(connection, "SELECT name, incarnation FROM record")
        if not found:
            born = self._now()
            incarnation = max(born // 1000, mark.incarnation + 1 if mark else 0)
            fetch(
                connection,
                "INSERT INTO record (one, name, incarnation, created) VALUES (1, ?, ?, ?)",
                (name, incarnation, born),
            )
        elif found[0][0] != name:
            raise ConfigError(
                f"{path} is the record {found[0][0]!r}, the configuration says {name!r}: edges know it by its name"
            )
        else:
            incarnation = found[0][1]
            ((commit,),) = fetch(connection, "SELECT coalesce(max(number), 0) FROM commits")
            if mark is None or mark.incarnation > incarnation or mark.commit > commit:
                incarnation = max(incarnation, mark.incarnation if mark else 0) + 1
                log.warning(
                    "%s was restored or moved (commit %d, its mark says %s): incarnation %d; edges send again",
                    path, commit, mark.commit if mark else "nothing", incarnation,
                )  # fmt: skip
                fetch(connection, "UPDATE record SET incarnation = ?", (incarnation,))
        head = self._loaded(connection).head
        self._mark.write(Mark(head.incarnation, head.commit), flush=True)

    def _loaded(self, connection: sqlite3.Connection) -> Commits:
        if self._commits is None:
            commits = Commits(connection)
            commits.load()
            self._commits = commits
        return self._commits

    def _commit(
        self,
        connection: sqlite3.Connection,
        arrivals: Sequence[Arrival],
        refusals: Sequence[Refusal],
        heard: Sequence[Heard],
        resolved: Sequence[int],
    ) -> Committed:
        try:
            commits = self._loaded(connection)
            self._commits = None
            with writing(connection):
                result = commits.write(arrivals, refusals, heard, resolved, self._now())
        except (sqlite3.OperationalError, sqlite3.IntegrityError):
            raise
        except sqlite3.DatabaseError as error:
            raise RecordDamaged(f"the record is malformed: {error}") from error
        if result.commit:
            commits.head = commits.head._replace(
                commit=result.commit, number=commits.head.number + result.new
            )
            self._mark.write(Mark(commits.head.incarnation, commits.head.commit))
        self._commits = commits
        return result

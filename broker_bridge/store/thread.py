"""The record's writing thread: a commit is many statements, but one way there and back."""

import asyncio
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from broker_bridge.db import settings
from broker_bridge.errors import StoreUnavailable

Result = TypeVar("Result")


class Thread:
    """A connection with a thread of its own. Close it: an open one keeps the database's log."""

    def __init__(self, pool: ThreadPoolExecutor, connection: sqlite3.Connection) -> None:
        self._pool = pool
        self._connection = connection

    @classmethod
    async def open(cls, path: Path) -> "Thread":
        """Open a database that `db.open_writer` has prepared. Raises StoreUnavailable."""

        def opened() -> sqlite3.Connection:
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            for setting in settings("FULL"):
                connection.execute(setting).fetchall()
            return connection

        pool = ThreadPoolExecutor(1, thread_name_prefix=path.name)
        try:
            return cls(pool, await asyncio.get_running_loop().run_in_executor(pool, opened))
        except sqlite3.Error as error:
            pool.shutdown(wait=False)
            raise StoreUnavailable(f"{path}: {error}") from error

    async def run(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        """Do it there, behind all that was asked for before.

        Cancelled, what has begun is done all the same, and nobody hears how it ended.
        """
        return await asyncio.get_running_loop().run_in_executor(self._pool, work, self._connection)

    async def close(self) -> None:
        """Close the connection behind all that was asked for before."""
        await self.run(lambda connection: connection.close())
        self._pool.shutdown(wait=False)

"""The n-th commit or publish fails, before or after it has taken effect: patched in the role's own process."""

import mmap
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import aiosqlite
from brokers import until
from kind import Kind
from plant import Plant, Way
from roles import Habits

from broker_bridge import db
from broker_bridge.bus.link import Link
from broker_bridge.errors import BusUnavailable


class _Count:
    """Counts calls over all roles; the n-th is hit. Odd numbers fail before the deed, even ones after it."""

    def __init__(self, nth: int) -> None:
        self._cell = mmap.mmap(-1, 8)
        self._nth = (nth + 1) // 2
        self.after = nth % 2 == 0

    def hit(self) -> bool:
        """Whether this call is the one."""
        return self._add() == self._nth

    def reached(self) -> bool:
        """Whether it was hit."""
        return self._value() >= self._nth

    def _value(self) -> int:
        return int(struct.unpack("q", self._cell[:8])[0])

    def _add(self) -> int:
        value = self._value() + 1
        self._cell[:8] = struct.pack("q", value)
        return value


class _Seam(Kind):
    sweep = True

    @contextmanager
    def ready(self) -> Iterator[Way]:
        """Roles that fail once."""
        self.count = _Count(self.seed)
        yield Way(habits=Habits(hurried=self.short, before=self.patch), after="delete", may_end=True)

    def patch(self) -> None:
        """Done in the role's process."""
        raise NotImplementedError

    def strike(self, plant: Plant) -> None:
        """A small life: first start, some records, a restart of the edge, some more."""
        plant.work(12)
        until(lambda: plant.count() >= 6 or plant.revive(), 60, "something recorded")
        plant.victim("edge").kill()
        plant.work(8)
        plant.start("edge")

    def ended(self, plant: Plant) -> None:
        """Recovered; was anything hit?"""
        plant.finish(online=False)
        if self.count.reached():
            plant.struck("hit")


class NthCommit(_Seam):
    """the n-th commit of any database fails, undone or in truth done"""

    def patch(self) -> None:
        """COMMIT raises what SQLite raises for an input/output error."""
        execute, end, count = aiosqlite.Connection.execute, db.end, self.count

        def failing(connection: Any, sql: str, parameters: Any = None) -> Any:
            if sql != "COMMIT" or not count.hit():
                return execute(connection, sql, parameters)
            return _fail(execute(connection, "COMMIT" if count.after else "ROLLBACK"))

        def failing_here(connection: sqlite3.Connection) -> None:
            if not count.hit():
                end(connection)
                return
            connection.execute("COMMIT" if count.after else "ROLLBACK")
            raise sqlite3.OperationalError("disk I/O error")

        aiosqlite.Connection.execute = failing  # type: ignore[method-assign, assignment]
        db.end = failing_here


async def _fail(deed: Any) -> None:
    await deed
    raise sqlite3.OperationalError("disk I/O error")


class NthPublish(_Seam):
    """the n-th publish of any role fails, not sent or in truth sent"""

    def patch(self) -> None:
        """The connection is lost at this publish."""
        publish, count = Link.publish, self.count

        async def failing(link: Link, topic: str, payload: bytes, retain: bool) -> Any:
            if not count.hit():
                return await publish(link, topic, payload, retain)
            if count.after:
                await publish(link, topic, payload, retain)
            link.fail("the campaign cut the connection")
            raise BusUnavailable("the campaign cut the connection")

        Link.publish = failing  # type: ignore[method-assign, assignment]

"""Reads the derived tables day by day (UTC), and which days have changed: for tables that others keep of them."""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.errors import StoreUnavailable
from broker_bridge.projector.schema import DAY, INDEX

_BOARD: Final = "b.kind, b.value, b.position, b.unit, b.panel, b.panel_position, b.part, b.revision, b.work_orders, b.purpose"


class Thing(NamedTuple):
    """The board that a row is about."""

    kind: str
    value: str
    position: int
    """0: the identifier alone is its key."""
    unit: str
    panel: str | None
    panel_position: int | None
    part: str | None
    revision: str | None
    work_orders: tuple[str, ...]
    purpose: str | None


class Passage(NamedTuple):
    """One visit. Instants in microseconds since 1970."""

    thing: Thing
    visit: int
    line: str
    station: str
    equipment: str | None
    lane: int | None
    side: str | None
    pass_: int
    since: int
    until: int
    latest: int | None
    program: str | None
    program_revision: str | None
    outcome: str | None
    certainty: str
    probability: float | None
    why: str | None


class Carry(NamedTuple):
    """One use of material or of a tool by one board."""

    thing: Thing
    kind: str
    since: int
    until: int | None
    certainty: str
    probability: float | None
    why: str | None
    now: bool
    said: dict[str, Any]
    """The rest, as `rows` words it."""


class Days:
    """An open index. Use it from one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Raises NotFound where there is none, StoreUnavailable as all methods do."""
        self._path = path
        self._connection = open_reader(path, INDEX)

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()

    def changed(self, after: int) -> list[tuple[int, int]]:
        """Day (since 1970) and stamp of what changed behind a stamp, by stamp; all days with 0."""
        return self._all("SELECT day, stamp FROM changed_days WHERE stamp > ? ORDER BY stamp, day", after)

    def last_stamp(self) -> int:
        """The newest stamp, 0 where nothing was ever settled."""
        return int(self._all("SELECT coalesce(max(stamp), 0) FROM changed_days")[0][0])

    def passages(self, day: int) -> Iterator[Passage]:
        """The visits that began on a day, in order of time."""
        sql = (
            f"SELECT {_BOARD}, visit, line, p.station, equipment, lane, side, pass, p.since, until, latest, program,"
            " program_revision, outcome, certainty, probability, why FROM passages AS p JOIN boards AS b USING (board)"
            " WHERE p.since >= ? AND p.since < ? ORDER BY p.since, p.board, visit"
        )
        for row in self._all(sql, day * DAY, (day + 1) * DAY):
            yield Passage(_thing(row), *row[10:])

    def carries(self, day: int) -> Iterator[Carry]:
        """What boards took along on a day, in order of time."""
        sql = (
            f"SELECT {_BOARD}, u.kind, c.since, c.until, certainty, probability, why, now, said FROM carries AS c"
            " JOIN boards AS b USING (board) JOIN uses AS u USING (use) WHERE u.kind <> 'program'"
            " AND c.since >= ? AND c.since < ? ORDER BY c.since, c.board, c.use"
        )
        for row in self._all(sql, day * DAY, (day + 1) * DAY):
            yield Carry._make((_thing(row), *row[10:16], bool(row[16]), json.loads(row[17])))

    def _all(self, sql: str, *values: object) -> list[Any]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StoreUnavailable(f"the index at {self._path} cannot be read: {error}") from error


def _thing(row: Sequence[Any]) -> Thing:
    kind, value, position, unit, panel, place, part, revision, orders, purpose = row[:10]
    return Thing(
        kind, value, position, unit, panel, place, part, revision, tuple(json.loads(orders or "[]")), purpose
    )

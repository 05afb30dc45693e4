"""Reads the derived tables: who carries what, who passed where."""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.errors import StoreUnavailable
from broker_bridge.projector.schema import INDEX
from broker_bridge.trace.balance import Course
from broker_bridge.trace.listing import Row
from broker_bridge.trace.plain import restored

_CHUNK: Final = 500


class UseRow(NamedTuple):
    """A use that many boards share (table uses)."""

    use: int
    kind: str
    station: str | None
    side: str | None
    slot: str | None
    part: str | None
    certainty: str
    probability: float | None
    why: str | None
    confirm: str | None
    now: int
    said: str


class CarryRow(NamedTuple):
    """A board that has a use."""

    use: int
    board: int
    since: int
    until: int | None


class PassageRow(NamedTuple):
    """A visit of a board to a station."""

    board: int
    line: str
    station: str
    side: str | None
    since: int
    until: int
    latest: int | None
    program_revision: str | None
    certainty: str
    probability: float | None
    why: str | None


class BoardRow(NamedTuple):
    """A thing (table boards)."""

    board: int
    kind: str
    value: str
    position: int
    unit: str
    panel: str | None
    panel_position: int | None
    part: str | None
    work_orders: str
    purpose: str | None
    state: str
    station: str | None
    there: int
    since: int | None
    line_end: str | None


class FlowRow(NamedTuple):
    """A visit together with what it was of."""

    value: str
    position: int
    """0: the identifier alone is its key."""
    unit: str
    panel: str | None
    part: str | None
    work_orders: str
    purpose: str | None
    line: str
    station: str
    equipment: str | None
    lane: int | None
    side: str | None
    since: int
    until: int
    latest: int | None
    """Equal to `until` where the departure was seen."""
    program: str | None
    certainty: str


class NamelessRow(NamedTuple):
    """Material used for a board that nobody named."""

    part: str
    number: int
    line: str
    station: str
    since: int


_PASSAGE: Final = (
    "board, line, station, side, since, until, latest, program_revision, certainty, probability, why"
)


_OVERLAPPING: Final = (
    "FROM reaches CROSS JOIN passages USING (reach) WHERE line = ? AND since >= ? - reach AND since <= ?"
    " AND coalesce(latest, until) >= ?"
)


class Derived:
    """An open index, read for what is derived. Use it from one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Raises NotFound where there is none, StoreUnavailable as all methods do."""
        self._path = path
        self._connection = open_reader(path, INDEX)

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()

    def kinds(self, value: str) -> list[str]:
        """As what a text is known: kinds of words, program, equipment, station."""
        found = [kind for (kind,) in self._all("SELECT DISTINCT kind FROM use_words WHERE value = ?", value)]
        for column in ("program", "equipment", "station"):
            if self._all(f"SELECT 1 FROM passages WHERE {column} = ? LIMIT 1", value):
                found.append(column)
        return sorted(set(found))

    def words(self, kind: str) -> list[str]:
        """All words of a kind: every lot, for instance."""
        sql = "SELECT DISTINCT value FROM use_words WHERE kind = ? ORDER BY value"
        return [value for (value,) in self._all(sql, kind)]

    def uses(self, kinds: Iterable[str], value: str) -> list[UseRow]:
        """The uses that are found by a word."""
        wanted = sorted(kinds)
        marks = ", ".join("?" * len(wanted))
        sql = (
            "SELECT DISTINCT use, uses.kind, station, side, slot, part, certainty, probability, why, confirm, now, said"
            f" FROM use_words JOIN uses USING (use) WHERE value = ? AND use_words.kind IN ({marks}) ORDER BY use"
        )
        return [UseRow(*row) for row in self._all(sql, value, *wanted)]

    def unknown(self, kind: str) -> list[UseRow]:
        """The uses of which the reel (kind unknown) or the lot (unknown_lot) is not known, of any part."""
        sql = (
            "SELECT DISTINCT use, uses.kind, station, side, slot, part, certainty, probability, why, confirm, now, said"
            " FROM use_words JOIN uses USING (use) WHERE use_words.kind = ? ORDER BY use"
        )
        return [UseRow(*row) for row in self._all(sql, kind)]

    def carries(self, uses: Sequence[int]) -> list[CarryRow]:
        """The boards that have one of these uses."""
        found: list[CarryRow] = []
        for start in range(0, len(uses), _CHUNK):
            part = uses[start : start + _CHUNK]
            sql = f"SELECT use, board, since, until FROM carries WHERE use IN ({','.join('?' * len(part))})"
            found += [CarryRow(*row) for row in self._all(sql, *part)]
        return found

    def boards(self, numbers: Iterable[int]) -> list[BoardRow]:
        """Things by their numbers."""
        wanted = sorted(numbers)
        found: list[BoardRow] = []
        for start in range(0, len(wanted), _CHUNK):
            part = wanted[start : start + _CHUNK]
            sql = (
                "SELECT board, kind, value, position, unit, panel, panel_position, part, work_orders, purpose, state,"
                f" station, there, since, line_end FROM boards WHERE board IN ({','.join('?' * len(part))})"
            )
            found += [BoardRow(*row) for row in self._all(sql, *part)]
        return found

    def all_boards(self) -> list[BoardRow]:
        """Every thing."""
        return self.boards(number for (number,) in self._all("SELECT board FROM boards"))

    def carried_by(self, board: int) -> list[dict[str, Any]]:
        """What a thing carries or ever carried, each as the words it is told in (rows)."""
        sql = "SELECT said FROM carries JOIN uses USING (use) WHERE board = ? AND kind = 'material' ORDER BY use, since"
        return [json.loads(said) for (said,) in self._all(sql, board)]

    def called(self, since: int, until: int) -> list[Row]:
        """Defects and unjudged calls of a time, in order of the calls."""
        sql = "SELECT said FROM called WHERE called >= ? AND called <= ? ORDER BY called, board, place"
        return [restored(Row, json.loads(said)) for (said,) in self._all(sql, since, until)]

    def made_under(self, order: str) -> list[Course]:
        """The boards of a work order."""
        sql = "SELECT said FROM made_under WHERE work_order = ? ORDER BY board"
        return [restored(Course, json.loads(said)) for (said,) in self._all(sql, order)]

    def passages_of(self, board: int) -> list[PassageRow]:
        """The visits of a thing, in order."""
        return self._passages("board = ? ORDER BY visit", board)

    def flow(self) -> list[FlowRow]:
        """All visits to stations, in order of time."""
        sql = (
            "SELECT value, position, unit, panel, part, work_orders, purpose, line, p.station, equipment, lane, side, p.since,"
            " until, latest, program, certainty FROM passages AS p JOIN boards USING (board) WHERE p.station <> ''"
            " ORDER BY p.since, board"
        )
        return [FlowRow(*row) for row in self._all(sql)]

    def by_program(self, program: str) -> list[PassageRow]:
        """Visits in which a program ran."""
        return self._passages("program = ?", program)

    def by_equipment(self, equipment: str) -> list[PassageRow]:
        """Visits to a machine."""
        return self._passages("equipment = ?", equipment)

    def unstated_equipment(self, line: str, station: str, since: int, until: int) -> list[PassageRow]:
        """Visits to a station in a time of which the machine is not stated."""
        return self._overlapping(line, since, until, "AND station = ? AND equipment IS NULL", station)

    def at_station(self, station: str, since: int, until: int) -> list[PassageRow]:
        """Visits to a station that may overlap a time: also those of which nothing shows that they have ended."""
        found: list[PassageRow] = []
        for line in self.lines_of(station):
            found += self._overlapping(line, since, until, "AND station = ? AND latest IS NOT NULL", station)
            where = "line = ? AND station = ? AND latest IS NULL AND since <= ?"
            found += self._passages(where, line, station, until)
        return found

    def on_line(self, line: str, since: int, until: int) -> list[PassageRow]:
        """Visits on a line that overlap a time."""
        return self._overlapping(line, since, until)

    def sides_on_line(self, line: str, since: int, until: int) -> dict[str, set[int]]:
        """The boards seen on a line in a time, by the side worked on."""
        found: dict[str, set[int]] = {}
        sql = f"SELECT DISTINCT side, board {_OVERLAPPING} AND side IS NOT NULL"
        for side, board in self._all(sql, line, since, until, since):
            found.setdefault(side, set()).add(board)
        return found

    def silent(self, line: str, station: str, since: int, until: int) -> list[PassageRow]:
        """Visits that overlap a time, of which the station does not say what it put on the board."""
        return self._overlapping(line, since, until, "AND station = ? AND silent", station)

    def went_to(self, boards: Iterable[int], station: str) -> set[tuple[int, str | None]]:
        """Which of these boards were seen at a station, and on which side."""
        wanted = sorted(boards)
        found: set[tuple[int, str | None]] = set()
        for start in range(0, len(wanted), _CHUNK):
            part = wanted[start : start + _CHUNK]
            # The plus keeps SQLite from walking the station's visits instead of the boards'.
            sql = f"SELECT board, side FROM passages WHERE +station = ? AND board IN ({','.join('?' * len(part))})"
            found.update(self._all(sql, station, *part))
        return found

    def lines_of(self, station: str) -> list[str]:
        """The lines on which a station was passed."""
        return [
            line for (line,) in self._all("SELECT line FROM passed WHERE station = ? ORDER BY line", station)
        ]

    def nameless(self, word: str) -> list[NamelessRow]:
        """Uses of a lot or container for boards that nobody named; with "" those of which not even that is known."""
        sql = "SELECT part, number, line, station, since FROM nameless WHERE word = ? ORDER BY number"
        return [NamelessRow(*row) for row in self._all(sql, word)]

    def crowded(self) -> int:
        """How many identifiers name too much to be followed."""
        return int(self._all("SELECT count(*) FROM crowded")[0][0])

    def _overlapping(
        self, line: str, since: int, until: int, where: str = "", *values: object
    ) -> list[PassageRow]:
        """Visits on a line that overlap a time."""
        sql = f"SELECT {_PASSAGE} {_OVERLAPPING} {where}"
        return [PassageRow(*row) for row in self._all(sql, line, since, until, since, *values)]

    def _passages(self, where: str, *values: object) -> list[PassageRow]:
        return [
            PassageRow(*row) for row in self._all(f"SELECT {_PASSAGE} FROM passages WHERE {where}", *values)
        ]

    def _all(self, sql: str, *values: object) -> list[Any]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StoreUnavailable(f"the index at {self._path} cannot be read: {error}") from error

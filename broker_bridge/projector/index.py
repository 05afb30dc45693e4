"""Reads the index: which events may matter to the history of what is asked for.

More events than needed never change an answer, fewer might: where in doubt they are taken along. Everything is
asked as of an event number.
"""

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.errors import NotFound, StoreUnavailable, StoreVersionError
from broker_bridge.projector.entries import (
    FIRST,
    ITSELF,
    LAST,
    PART,
    SAME,
    SOMEWHERE,
    WHOLE,
    declared_line,
    microseconds,
    reach,
    undated_file,
)  # fmt: skip
from broker_bridge.projector.schema import INDEX, RULES
from broker_bridge.trace.gaps import EVER, HEARING, MARGIN, NEVER, UNDATED, Window
from broker_bridge.trace.mentions import UNITS, Knot, Node, Slot
from broker_bridge.trace.revisions import RawRecord
from broker_bridge.trace.route import DECLARED
from broker_bridge.trace.setups import LOADED, PASTE, PROGRAM

CROWDED: Final = 5000
"""Events that name one thing by an identifier; one with more, unless it was asked for, tells nothing apart."""
_MOST_THINGS: Final = 20
"""Boards, panels and assemblies that are looked at for one identifier that several of them go by."""
_DEPTH: Final = 8
_LAST_WORDS: Final = 16
_MISSING: Final = "AND type IN ('source.gap', 'source.rejected')"
_NEAREST: Final = 4
_FAR: Final = 500
_FEW: Final = 50_000
"""Raw records with several revisions that are kept in mind; where a mapping was mended for a whole log there are more."""


class Cursor(NamedTuple):
    """What the index is as of."""

    record: str
    incarnation: int
    commit: int
    number: int


class Related(NamedTuple):
    """What may matter to one thing."""

    numbers: frozenset[int]
    crowded: frozenset[Node]
    """Identifiers that name too much to tell anything apart; they were not followed."""


class _Name(NamedTuple):
    """An identifier by its number in the index."""

    id: int
    kind: str


class Index:
    """An open index. Use it from one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Raises NotFound where there is none that this program can read, StoreUnavailable as all methods do."""
        self.path = self._path = path
        self._places: dict[tuple[str, str], int] = {}
        self._revising: dict[int, bool] = {}
        self._revised: tuple[int, frozenset[RawRecord] | None] = -1, frozenset()
        try:
            self._connection = open_reader(path, INDEX)
        except StoreVersionError as error:
            raise NotFound(f"no index of this program: {error}") from error
        if rules_of(self._connection) != RULES:
            self._connection.close()
            raise NotFound(f"the index at {path} was made by other rules than this program's")

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()

    def cursor(self) -> Cursor:
        """What the index is as of."""
        sql = "SELECT record, incarnation, commit_no, number FROM cursor"
        return Cursor(*self._all(sql)[0])

    def nodes(self, value: str, upto: int) -> list[Node]:
        """The identifiers with this text, of whatever kind, that events up to a number give."""
        sql = "SELECT kind FROM names WHERE value = ? AND first <= ? ORDER BY kind"
        return [Node(kind, value) for (kind,) in self._all(sql, value, upto)]

    def beginning(self, text: str, upto: int, limit: int) -> list[Node]:
        """Identifiers that begin with a text, in order."""
        sql = "SELECT kind, value FROM names WHERE value >= ? AND value < ? AND first <= ? ORDER BY value, kind LIMIT ?"
        return [Node(kind, value) for kind, value in self._all(sql, text, text + "\U0010ffff", upto, limit)]

    def alike(self, value: str, upto: int, limit: int) -> list[Node]:
        """Identifiers that are equal to a text but for the case of ASCII letters, itself left out. Looks through all."""
        sql = (
            "SELECT kind, value FROM names WHERE value = ? COLLATE NOCASE AND value <> ? AND first <= ?"
            " ORDER BY value, kind LIMIT ?"
        )
        return [Node(kind, value) for kind, value in self._all(sql, value, value, upto, limit)]

    def first(self, value: str) -> int | None:
        """The first event that gives an identifier with this text."""
        number: int | None = self._all("SELECT min(first) FROM names WHERE value = ?", value)[0][0]
        return number

    def related(self, asked: Knot, upto: int) -> Related:
        """Numbers up to `upto` of the events that may matter to what an identifier or position stands for."""
        walk = _Walk(self, upto)
        walk.from_asked(asked)
        return Related(frozenset(walk.numbers), frozenset(map(self.node, walk.crowded)))

    def notices(
        self, windows: Sequence[Window], files: Collection[tuple[str, str]], upto: int
    ) -> frozenset[int]:
        """Numbers of the events that tell what may be missing on these lines at these times, or in these files."""
        found: set[int] = set()
        for window in windows:
            since = microseconds(window.start - MARGIN if window.start - EVER > MARGIN else EVER)
            until = microseconds(window.end + MARGIN if NEVER - window.end > MARGIN else NEVER)
            found |= self._touching(window.line, since, until, upto, _MISSING)
            line = declared_line(window.line + "/", window.line.rpartition("/")[2])
            found |= self._notices("line = ? AND type = ?", (line, DECLARED), upto)
            found |= self._undated(window.line, since, upto)
            found |= self._last_words(window.line, upto)
        for file in files:
            found |= self._notices("source = ? AND generation = ? AND type = 'source.rejected'", file, upto)
        return frozenset(found)

    def filed(self, under: str, upto: int) -> frozenset[int]:
        """Numbers of the events that are filed under something that is no line (module entries)."""
        return frozenset(self._notices("line = ?", (under,), upto))

    def filed_between(self, spans: Iterable[tuple[str, datetime, datetime]], upto: int) -> frozenset[int]:
        """The same, of those that touch a time: all that is asked for, as what it is filed under, since and until."""
        sql = (
            "WITH asked AS (SELECT json_extract(value, '$[0]') AS under, json_extract(value, '$[1]') AS start,"
            " json_extract(value, '$[2]') AS finish FROM json_each(?))"
            " SELECT number FROM asked CROSS JOIN reaches CROSS JOIN notices USING (reach) WHERE line = under"
            " AND since >= start - reach AND since <= finish AND until >= start AND number <= ?"
        )
        asked = [(under, microseconds(since), microseconds(until)) for under, since, until in spans]
        return frozenset(number for (number,) in self._all(sql, json.dumps(asked), upto))

    def filed_after(
        self, under: str, since: datetime, until: datetime | None, upto: int, limit: int
    ) -> list[int]:
        """The same, of those from one time to another, the first ones where there are many."""
        sql = (
            "SELECT since, number FROM notices WHERE line = ? AND reach = ? AND since >= ? AND since <= ? AND number <= ?"
            " ORDER BY since, number LIMIT ?"
        )
        span = microseconds(since), LAST if until is None else microseconds(until)
        rows: list[tuple[int, int]] = []
        for (far,) in self._all("SELECT reach FROM reaches"):
            rows += self._all(sql, under, far, *span, upto, limit)
        return [number for _, number in sorted(rows)[:limit]]

    def free_places(self, panel: Node, upto: int) -> int:
        """How many positions of a panel are known at which no board is known by a name of its own."""
        sql = (
            "SELECT count(DISTINCT place) FROM named JOIN names USING (name) WHERE value = ? AND kind = ? AND place > 0"
            " AND number <= ? AND NOT EXISTS (SELECT 1 FROM ties JOIN names AS other ON other.name = b"
            " WHERE a = named.name AND relation = ? AND position = place AND ties.first <= ? AND other.kind = 'board')"
        )
        return int(self._all(sql, panel.value, panel.kind, upto, WHOLE, upto)[0][0])

    def revocations(self, assertions: Iterable[tuple[str, str]], upto: int) -> set[int]:
        """Numbers of the events that revoke these assertions, named by source and id."""
        sql = "SELECT number FROM revocations WHERE source = ? AND event = ? AND number <= ?"
        return {number for assertion in assertions for (number,) in self._all(sql, *assertion, upto)}

    def revised(self, records: Collection[RawRecord], upto: int) -> Collection[RawRecord]:
        """Which of these raw records may have come in several revisions; `upto` is what the question is as of."""
        known, few = self._revised
        if upto > known:
            rows = self._all("SELECT source, generation, position FROM revised LIMIT ?", _FEW + 1)
            few = frozenset(rows) if len(rows) <= _FEW else None
            self._revised = upto, few
        return records if few is None else few.intersection(records)

    def doubted(self, upto: int) -> frozenset[int]:
        """The events of raw records that came in several revisions: not every one of them holds."""
        return frozenset(n for (n,) in self._all("SELECT number FROM doubted WHERE number <= ?", upto))

    def sources(self, line: str, upto: int) -> list[str]:
        """The sources that spoke on a line (/site/area/line)."""
        sql = "SELECT source FROM sources WHERE line = ? AND first <= ? ORDER BY source"
        return [source for (source,) in self._all(sql, line, upto)]

    def rejected(self, after: int, limit: int) -> list[int]:
        """Numbers of the rejected records behind one, in order."""
        sql = (
            "SELECT number FROM notices WHERE type = 'source.rejected' AND number > ? ORDER BY number LIMIT ?"
        )
        return [number for (number,) in self._all(sql, after, limit)]

    # -- what stations had set up --------------------------------------------------------------------------

    def families(self, line: str, station: str, upto: int) -> dict[str, list[str]]:
        """The families of marks of a station and the slots of each, in order."""
        sql = (
            "SELECT family, slot FROM places CROSS JOIN slots USING (place) WHERE line = ? AND station = ?"
            " AND first <= ? AND family <> ? ORDER BY slot"
        )
        found: dict[str, list[str]] = {}
        for family, slot in self._all(sql, line, station, upto, LOADED):
            found.setdefault(family, []).append(slot)
        return found

    def marks(
        self, line: str, station: str, family: str, slot: str, since: int, until: int, upto: int
    ) -> list[int]:
        """Numbers of the marks from the last proof at or before an instant to some behind another one.

        A few more on either side, as a revision may have superseded the nearest.
        """
        place = self._place(line, station)
        where = "place = ? AND family = ? AND slot = ? AND number <= ?"
        key = (place, family, slot, upto)
        nearest = self._nearest(place)
        rows = self._all(
            f"SELECT since FROM marks WHERE {where} AND proven AND since <= ? ORDER BY since DESC LIMIT ?",
            *key, since, nearest,
        )  # fmt: skip
        if len(rows) < nearest:
            # Hardly anything proven: what was fed tells as much, and a splice is not that long ago.
            sql = f"SELECT since FROM marks WHERE {where} AND since <= ? ORDER BY since DESC LIMIT 1 OFFSET ?"
            rows = self._all(sql, *key, since, _FAR)
        first = rows[-1][0] if rows else FIRST
        if family == PASTE and nearest == 1:
            # Of the prints with one jar the first and the last tell as much as all; nothing later matters.
            return self._jars(key, first, until)
        sql = f"SELECT number FROM marks WHERE {where} AND since >= ? AND since <= ?"
        found = [n for (n,) in self._all(sql, *key, first, until)]
        sql = f"SELECT number FROM marks WHERE {where} AND since > ? ORDER BY since, number LIMIT ?"
        return found + [n for (n,) in self._all(sql, *key, until, nearest)]

    def _jars(self, key: tuple[int, str, str, int], first: int, until: int) -> list[int]:
        where = "place = ? AND family = ? AND slot = ? AND number <= ? AND since >= ? AND since <= ?"
        found: set[int] = set()
        for end in ("min", "max"):
            sql = f"SELECT jar, proven, {end}(since) FROM marks WHERE {where} GROUP BY jar, proven"
            for jar, proven, since in self._all(sql, *key, first, until):
                one = f"SELECT number FROM marks WHERE {where} AND jar = ? AND proven = ? AND since = ?"
                found.update(n for (n,) in self._all(one, *key, first, until, jar, proven, since))
        return sorted(found)

    def _nearest(self, place: int) -> int:
        """How many of the nearest marks are read: one, unless a source revised records and the nearest may not hold."""
        if place not in self._revising:
            sql = (
                "SELECT EXISTS (SELECT 1 FROM mark_sources JOIN revisions USING (source) WHERE place = ?"
                " GROUP BY source, generation HAVING count(*) > 1)"
            )
            self._revising[place] = bool(self._all(sql, place)[0][0])
        return _NEAREST if self._revising[place] else 1

    def plans(self, line: str, station: str, instant: int, program: str | None, upto: int) -> list[int]:
        """Numbers of what was loaded and planned at a station: nearest before an instant, and of a program around it."""
        place = self._place(line, station)
        nearest = self._nearest(place)
        found: set[int] = set()
        for family in (PROGRAM, LOADED):
            where = "place = ? AND family = ? AND slot = '' AND number <= ?"
            key = (place, family, upto)
            before = (
                f"SELECT DISTINCT since FROM marks WHERE {where} AND since <= ? ORDER BY since DESC LIMIT ?"
            )
            instants = self._all(before, *key, instant, nearest)
            if program is not None:
                named = f"SELECT DISTINCT since FROM marks WHERE {where} AND jar = ? AND since"
                instants += self._all(
                    f"{named} <= ? ORDER BY since DESC LIMIT ?", *key, program, instant, nearest
                )
                instants += self._all(f"{named} > ? ORDER BY since LIMIT ?", *key, program, instant, nearest)
            for (since,) in instants:
                rows = self._all(f"SELECT number FROM marks WHERE {where} AND since = ?", *key, since)
                found.update(number for (number,) in rows)
        return sorted(found)

    def missing_of(self, line: str, station: str, since: int, until: int, upto: int) -> frozenset[int]:
        """Numbers of gaps and rejected records of a line that touch a time, for a station or for none."""
        found = self._touching(line, since, until, upto, f"{_MISSING} AND station IN (?, '')", station)
        found |= self._undated(line, since, upto, "AND station IN (?, '')", station)
        return frozenset(found)

    def mark_sources(self, line: str, station: str, upto: int) -> set[str]:
        """The sources that tell what a station has set up."""
        sql = "SELECT source FROM mark_sources WHERE place = ? AND first <= ?"
        return {source for (source,) in self._all(sql, self._place(line, station), upto)}

    def lots(self, container: str, upto: int) -> list[str]:
        """The lists of lots, as JSON, that events give a container."""
        sql = "SELECT lots FROM contents WHERE id = ? AND first <= ?"
        return [lots for (lots,) in self._all(sql, container, upto)]

    def lives(self, container: str, upto: int) -> list[int]:
        """Numbers of the events that say something of the life of a container."""
        sql = "SELECT number FROM lives WHERE id = ? AND number <= ?"
        return [number for (number,) in self._all(sql, container, upto)]

    def beside(self, panels: Iterable[Node], upto: int) -> list[int]:
        """Numbers of the events that name these panels, whichever of their boards they are about."""
        found: set[int] = set()
        for panel in panels:
            name = self.name(panel)
            if name is not None:
                found.update(self.named(name, None, upto, CROWDED + 1))
        return sorted(found)

    def _place(self, line: str, station: str) -> int:
        if (line, station) not in self._places:
            rows = self._all("SELECT place FROM places WHERE line = ? AND station = ?", line, station)
            if not rows:
                return 0
            self._places[line, station] = rows[0][0]
        return self._places[line, station]

    def _last_words(self, line: str, upto: int) -> set[int]:
        """What a line's sources last said of each station they hear; some more, as a revision may have superseded it."""
        found: set[int] = set()
        hearings = "SELECT source, station FROM sources CROSS JOIN hearings USING (source) WHERE line = ? AND first <= ?"
        for source, station in self._all(hearings, line, upto):
            for word in HEARING:
                sql = (
                    "SELECT number FROM notices WHERE source = ? AND type = ? AND station = ? AND number <= ?"
                    " ORDER BY since DESC LIMIT ?"
                )
                found.update(n for (n,) in self._all(sql, source, word, station, upto, _LAST_WORDS))
        return found

    def _undated(self, line: str, since: int, upto: int, where: str = "", *values: object) -> set[int]:
        """The newest rejected records of a line's sources that may be of any time before they were saved."""
        far = reach(FIRST, LAST)
        files = json.dumps([undated_file(source) for source in self.sources(line, upto)])
        some = (
            "SELECT value FROM json_each(?) WHERE EXISTS"
            " (SELECT 1 FROM notices WHERE line = value AND reach = ? AND since = ?)"
        )
        sql = (
            "SELECT number FROM notices WHERE line = ? AND reach = ? AND since = ? AND until >= ? AND number <= ?"
            f" {where} ORDER BY number DESC LIMIT ?"
        )
        return {
            number
            for (file,) in self._all(some, files, far, FIRST)
            for (number,) in self._all(sql, file, far, FIRST, since, upto, *values, UNDATED + 1)
        }

    def _touching(
        self, under: str, since: int, until: int, upto: int, where: str = "", *values: object
    ) -> set[int]:
        """What is filed under something and touches a time."""
        sql = (
            "SELECT number FROM reaches CROSS JOIN notices USING (reach) WHERE line = ? AND since >= ? - reach"
            f" AND since <= ? AND until >= ? AND number <= ? {where}"
        )
        return {number for (number,) in self._all(sql, under, since, until, since, upto, *values)}

    def _notices(self, condition: str, values: Sequence[object], upto: int) -> set[int]:
        sql = f"SELECT number FROM notices WHERE {condition} AND number <= ?"
        return {number for (number,) in self._all(sql, *values, upto)}

    # -- for walks -----------------------------------------------------------------------------------------

    def name(self, node: Node) -> _Name | None:
        """An identifier's number."""
        sql = "SELECT name, kind FROM names WHERE value = ? AND kind = ?"
        rows = self._all(sql, node.value, node.kind)
        return _Name(*rows[0]) if rows else None

    def node(self, name: _Name) -> Node:
        """The identifier of a number."""
        sql = "SELECT kind, value FROM names WHERE name = ?"
        return Node(*self._all(sql, name.id)[0])

    def text(self, name: int) -> str:
        """The text of an identifier by its number."""
        text: str = self._all("SELECT value FROM names WHERE name = ?", name)[0][0]
        return text

    def tied(
        self, name: _Name, relation: int, upto: int, position: int | None = None
    ) -> Iterator[tuple[_Name, int]]:
        """The identifiers tied to one by a relation, and the position where one is said."""
        where = "a = ? AND relation = ? AND ties.first <= ?"
        values = [name.id, relation, upto]
        if position is not None:
            where += " AND position = ?"
            values.append(position)
        sql = f"SELECT b, kind, position FROM ties JOIN names ON name = b WHERE {where}"
        for other, kind, place in self._all(sql, *values):
            yield _Name(other, kind), place

    def named(self, name: _Name, place: int | None, upto: int, limit: int) -> list[int]:
        """Numbers of the events that give an identifier at a place; at any where `place` is None."""
        where = "name = ?" if place is None else "name = ? AND place = ?"
        values = (name.id,) if place is None else (name.id, place)
        sql = f"SELECT number FROM named WHERE {where} AND number <= ? LIMIT ?"
        return [number for (number,) in self._all(sql, *values, upto, limit)]

    def _all(self, sql: str, *values: object) -> list[Any]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StoreUnavailable(f"the index at {self._path} cannot be read: {error}") from error


def rules_of(connection: sqlite3.Connection) -> str | None:
    """The rules an index was made by; None when it tells none that we know how to read."""
    try:
        row = connection.execute("SELECT rules FROM cursor").fetchone()
    except sqlite3.OperationalError:
        return None
    return None if row is None else str(row[0])


class _Walk:
    """Follows ties as the trace does (module knots and identity), but without weighing them."""

    def __init__(self, index: Index, upto: int) -> None:
        self._index = index
        self._upto = upto
        self.numbers: set[int] = set()
        self.crowded: set[_Name] = set()
        self._walked: set[_Name] = set()
        self._asked: set[_Name] = set()
        self._tied: dict[tuple[_Name, int, int | None], list[tuple[_Name, int]]] = {}

    def from_asked(self, asked: Knot) -> None:
        """Everything about what was asked for."""
        if isinstance(asked, Slot):
            panel = self._index.name(asked.panel)
            if panel is not None:
                self._asked.add(panel)
                self._things(self._thing([], [(panel, asked.position)], "slot"))
            return
        name = self._index.name(asked)
        if name is None:
            return
        self._asked.add(name)
        if name.kind in UNITS:
            self._thing([name], [], name.kind)
        else:
            self._take(name, None)  # it may be a panel's
            self._things(self._thing([name], [], None))

    def _things(self, names: set[_Name]) -> None:
        """What a name that is no unit's leads to."""
        for name in sorted(names)[:_MOST_THINGS]:
            self._thing([name], [], name.kind)

    def _thing(
        self, names: list[_Name], slots: list[tuple[_Name, int]], own: str | None, depth: int = 0
    ) -> set[_Name]:
        """Take along what names one thing, and what it is part of; returns the units that others of it name."""
        start, seen, seen_slots = set(names), set(names), set(slots)
        agenda: list[_Name | tuple[_Name, int]] = [*names, *slots]
        wholes: set[_Name] = set()
        others: set[_Name] = set()
        self._walked |= start
        while agenda:
            knot = agenda.pop()
            found: list[_Name] = []
            if isinstance(knot, _Name):
                if not self._take(knot):
                    continue
                found = [other for other, _ in self._ties(knot, SAME)]
                for whole, position in self._ties(knot, PART):
                    wholes.add(whole)
                    if position and (whole, position) not in seen_slots:
                        seen_slots.add((whole, position))
                        agenda.append((whole, position))
            else:
                whole, position = knot
                wholes.add(whole)
                for frame in self._frames(whole):
                    self._take(frame, position)
                    found += [other for other, _ in self._ties(frame, WHOLE, position)]
            for other in found:
                if other in seen:
                    continue
                if other.kind not in UNITS:
                    seen.add(other)
                    agenda.append(other)
                elif other.kind == own:
                    if isinstance(knot, _Name) and knot in start:
                        # Named together with one of our own names: ours as well, or said to be.
                        seen.add(other)
                        start.add(other)
                        agenda.append(other)
                else:
                    others.add(other)
        if own == "panel":
            for frame in {frame for name in start for frame in self._frames(name)}:
                self._take(frame, None)
        self._wholes(wholes | {other for other in others if _above(other.kind, own)}, depth)
        return others

    def _wholes(self, wholes: set[_Name], depth: int) -> None:
        if depth >= _DEPTH:
            return
        for whole in sorted(wholes - self._walked):
            frames = self._frames(whole)
            self._walked |= frames
            for frame in frames:
                self._take(frame, SOMEWHERE)
            self._thing(sorted(frames), [], whole.kind if whole.kind in UNITS else "panel", depth + 1)

    def _frames(self, panel: _Name) -> set[_Name]:
        """All labels that may be one panel's, in doubt too many."""
        seen, agenda = {panel}, [panel]
        while agenda:
            label = agenda.pop()
            for other, _ in self._ties(label, SAME):
                labels = other.kind == "panel" or (label.kind == "panel" and other.kind not in UNITS)
                if labels and other not in seen and other not in self.crowded:
                    seen.add(other)
                    agenda.append(other)
        return seen

    def _ties(self, name: _Name, relation: int, position: int | None = None) -> list[tuple[_Name, int]]:
        """What is tied to a name, asked once of the index: a panel is met from each of its boards."""
        key = name, relation, position
        if key not in self._tied:
            self._tied[key] = list(self._index.tied(name, relation, self._upto, position))
        return self._tied[key]

    def _take(self, name: _Name, place: int | None = ITSELF) -> bool:
        """Take the events along that give a name; false when it is crowded and was not asked for."""
        if name in self.crowded:
            return False
        asked = name in self._asked
        found = self._index.named(name, place, self._upto, 2**62 if asked else CROWDED + 1)
        if len(found) > CROWDED and not asked:
            self.crowded.add(name)
            return False
        self.numbers.update(found)
        return True


def _above(kind: str, own: str | None) -> bool:
    return own is not None and UNITS.index(kind) > UNITS.index("board" if own == "slot" else own)

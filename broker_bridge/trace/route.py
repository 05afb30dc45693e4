"""The route against the declared process of its date: stations of which nothing is known, and stations it does not
know.

A station without a word is not a station that was passed: the board may have been there inside a gap, may have
been carried past, or the machine may have been silent.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.defects import Leaving
from broker_bridge.trace.gaps import EVER, NEVER, Gap
from broker_bridge.trace.statements import Statement, instant
from broker_bridge.trace.stays import SKEW
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Visit

DECLARED = "line.declared"

_ASIDE: Final = frozenset(
    {"inspection.reviewed", "inspection.rework_performed", "inspection.paste_topped_up", "work.washed"}
)
"""Work that a process need not declare: it is done only where something was wrong."""


_SHOWN: Final = 10
"""Events of a visit that are named beside the declaration."""


class Seen(Value):
    """A visit and the line it was made on."""

    visit: Visit
    line: str


def declares(statement: Statement, line: str) -> bool:
    """Whether a declaration is of this line (/site/area/line)."""
    if statement.fact.type != DECLARED:
        return False
    site, name = line.split("/")[1], line.rpartition("/")[2]
    return statement.get("line") == name and statement.fact.source.split("/")[1] == site


def silent(
    seen: Sequence[Seen], declarations: Iterable[Statement], part: str | None, known: Sequence[Gap]
) -> list[Gap]:
    """Stations declared for the board's process, before the last one it was seen at, without a visit."""
    stated = _Declared(declarations, part)
    result: list[Gap] = []
    groups: dict[tuple[str, str | None], list[Visit]] = {}
    for visit, line in seen:
        if visit.station is not None:
            groups.setdefault((line, visit.side), []).append(visit)
    for (line, side), visits in sorted(groups.items(), key=lambda group: repr(group[0])):
        declaration = stated.in_force(line, side, visits[0].arrived)
        if declaration is not None:
            result.extend(_silent(declaration, visits, known))
    return result


class Deviation(Value):
    """A visit that the declared process does not foresee."""

    kind: str
    """unexpected_station or out_of_order"""
    text: str
    evidence: tuple[Evidence, ...]


def deviations(seen: Sequence[Seen], declarations: Iterable[Statement], part: str | None) -> list[Deviation]:
    """Stations which the process declared for the board's line on that date does not name, or not in that order."""
    stated = _Declared(declarations, part)
    result: list[Deviation] = []
    reached: dict[tuple[str, str | None], tuple[int, Visit]] = {}
    for visit, line in seen:
        declaration = stated.in_force(line, visit.side, visit.arrived)
        if declaration is None or visit.station is None:
            continue
        order = _order(declaration)
        place, furthest = order.get(visit.station), reached.get((line, visit.side))
        if place is None:
            if not visit.work or not _ASIDE.issuperset(visit.work):
                text = f"{visit.station} is not in the process declared for {line.rpartition('/')[2]} at that time"
                result.append(
                    Deviation("unexpected_station", text, (declaration.evidence, *visit.evidence[:_SHOWN]))
                )
            continue
        if furthest is None or place >= furthest[0]:
            reached[line, visit.side] = place, visit
        elif visit.pass_ == 1 and visit.arrived - furthest[1].arrived > SKEW:
            text = f"{visit.station} was visited for the first time after {furthest[1].station}, against the declared order"
            result.append(Deviation("out_of_order", text, (declaration.evidence, *visit.evidence[:_SHOWN])))
    return result


def leavings(seen: Sequence[Seen], declarations: Iterable[Statement], part: str | None) -> list[Leaving]:
    """When the board left the last station of the process declared for its line."""
    stated = _Declared(declarations, part)
    result: list[Leaving] = []
    for visit, line in seen:
        declaration = stated.in_force(line, visit.side, visit.arrived)
        if declaration is None or visit.departed is None:
            continue
        if visit.station == declaration.fact.data["stations"][-1]["name"]:
            result.append(
                Leaving(f"end of {line.rpartition('/')[2]}", visit.departed, visit.evidence[:_SHOWN])
            )
    return result


def _order(declaration: Statement) -> dict[str, int]:
    stations: Sequence[Mapping[str, Any]] = declaration.fact.data["stations"]
    return {station["name"]: place for place, station in enumerate(stations)}


class _Declared:
    """What is declared of a part's process."""

    def __init__(self, declarations: Iterable[Statement], part: str | None) -> None:
        self._declarations, self._part = list(declarations), part
        self._fitting: dict[tuple[str, str | None], list[tuple[datetime, Statement]]] = {}

    def in_force(self, line: str, side: str | None, date: datetime) -> Statement | None:
        """The narrowest declaration for a line and side that was valid at a time, of equals the newest."""
        if (line, side) not in self._fitting:
            self._fitting[line, side] = self._of(line, side)
        return next((one for since, one in self._fitting[line, side] if since <= date), None)

    def _of(self, line: str, side: str | None) -> list[tuple[datetime, Statement]]:
        fitting = []
        for statement in self._declarations:
            data = statement.fact.data
            part = (data.get("part") or {}).get("number")
            if declares(statement, line) and part in (None, self._part) and data.get("side") in (None, side):
                narrow = (part is not None) + (data.get("side") is not None)
                since = instant(data["valid_from"])
                fitting.append(((narrow, since, statement.time, statement.evidence), since, statement))
        fitting.sort(key=lambda row: row[0], reverse=True)
        return [(since, statement) for _, since, statement in fitting]


def _silent(declaration: Statement, visits: Sequence[Visit], known: Sequence[Gap]) -> list[Gap]:
    stations: Sequence[Mapping[str, Any]] = declaration.fact.data["stations"]
    order = _order(declaration)
    placed = [(order[visit.station], visit) for visit in visits if visit.station in order]
    if not placed:
        return []
    last = max(place for place, _ in placed)
    visited = {place for place, _ in placed}
    result = []
    for place, station in enumerate(stations[:last]):
        if place in visited or station.get("optional"):
            continue
        before = [visit for where, visit in placed if where < place]
        after = [visit for where, visit in placed if where > place]
        start = before[-1].departed or before[-1].arrived if before else None
        end = after[0].arrived if after else None
        cause, evidence = _cause(station["name"], start, end, known)
        result.append(
            Gap(
                kind="silent",
                where=station["name"],
                source=None,
                from_=start,
                to=end,
                cause=cause,
                detail="declared for this line, and nothing is known of the board there",
                evidence=(declaration.evidence, *evidence),
            )
        )
    return result


def _cause(
    station: str, start: datetime | None, end: datetime | None, known: Sequence[Gap]
) -> tuple[str, tuple[Evidence, ...]]:
    """The likely cause: what is missing of that very station, else of a source that does not say of which."""
    meanwhile = [
        gap for gap in known if (gap.from_ or EVER) <= (end or NEVER) and (gap.to or NEVER) >= (start or EVER)
    ]
    for gap in meanwhile:
        if gap.where == station:
            return _CAUSES[gap.kind], gap.evidence
    for gap in meanwhile:
        if gap.where == gap.source:
            return f"maybe {_CAUSES[gap.kind]}", gap.evidence
    return "unknown", ()


_CAUSES: Final = {"stated": "inside a stated gap", "rejected": "beside a rejected record"}

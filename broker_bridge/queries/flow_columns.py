"""Visits of what moves on a line, as columns: a panel counts once, with the boards in it; times in seconds.

Arrivals and departures are those of the histories, work and inspections add when they were started and finished.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Final, NamedTuple

from broker_bridge.errors import StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived, FlowRow
from broker_bridge.queries.boards import holding
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import instant
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.mentions import mentions
from broker_bridge.trace.revisions import raw_record

Progress = Callable[[float, str], None]

WORKING: Final = ("work.completed", "inspection.completed", "inspection.test_completed")
_STEP: Final = 2000
_SKEW: Final = timedelta(seconds=60).total_seconds()
"""How far the clock that tells of work may be from the one that tells of the passage (trace.stays)."""


class Visit(NamedTuple):
    """One pass of a panel, or of a board by itself, through a station. NaN: not known."""

    line: str
    station: str
    lane: int | None
    side: str | None
    thing: str
    """What moves: its own name."""
    boards: tuple[str, ...]
    part: str | None
    program: str | None
    arrived: float
    started: float
    finished: float
    departed: float
    seen: float
    """Seen there last."""
    certainty: str


class Flow(NamedTuple):
    """What a question about flow stands on."""

    visits: tuple[Visit, ...]
    """In order of arrival."""
    order: Mapping[str, tuple[str, ...]]
    """The stations of each line, as declared last or as visits go."""
    now: float
    """Time of the newest event."""
    as_of: AsOf
    unknown_departures: int
    settled: str | None
    """Why the newest events are not in it."""


def read_flow(
    record: Record, choice: Choice, as_of: AsOf, progress: Progress = lambda done, of: None
) -> Flow:
    """The visits that are asked for. The record has to be as of that commit (queries.past)."""
    late: str | None = None
    try:
        settle(record, lambda done, there: progress(done / max(1, there), "settling"))
    except StoreUnavailable as error:
        late = f"what is newest is not told: {error}"
    derived = Derived(record.index.path)
    try:
        rows = [row for row in derived.flow() if _asked(row, choice)]
    finally:
        derived.close()
    works = _works(record, as_of, {row.station for row in rows}, progress)
    visits = sorted(_visits(rows, works), key=lambda visit: (visit.arrived, visit.station, visit.thing))
    if choice.since or choice.until or choice.shift:
        import numpy as np

        kept = choice.when(np.asarray([round(visit.arrived * 1e6) for visit in visits], np.int64))
        visits = [visit for visit, keep in zip(visits, kept.tolist(), strict=True) if keep]
    span = record.reader.span(as_of.number)
    now = (instant(span[1]) or 0) / 1e6 if span else 0.0
    return Flow(
        tuple(visits),
        _orders(record, as_of, visits),
        now,
        as_of,
        sum(math.isnan(v.departed) for v in visits),
        late,
    )


def _asked(row: FlowRow, choice: Choice) -> bool:
    wanted = (choice.station, choice.part, choice.program, choice.side, choice.equipment)
    stated = (row.station, row.part, row.program, row.side, row.equipment)
    return (
        choice.on_line(row.line)
        and all(want in (None, said) for want, said in zip(wanted, stated, strict=True))
        and (choice.any_purpose or row.purpose in (None, "production"))
        and (choice.order is None or choice.order in row.work_orders)
    )


class _Work(NamedTuple):
    started: float
    ended: float


def facts_of(
    record: Record, types: Sequence[str], as_of: AsOf, progress: Progress = lambda done, of: None
) -> Iterator[Fact]:
    """The events of these types that hold, in order of the record."""
    after = 0
    while found := record.reader.typed(types, after, as_of.number, _STEP):
        after = found[-1].number
        several = record.index.revised({raw_record(fact) for fact in found}, as_of.number)
        doubtful = {fact.number for fact in found if raw_record(fact) in several}
        held = {fact.number for fact in holding(record, doubtful, as_of.number)} if doubtful else set()
        yield from (fact for fact in found if fact.number not in doubtful or fact.number in held)
        progress(after / max(1, as_of.number), f"reading {after} of {as_of.number} events")


def _works(
    record: Record, as_of: AsOf, stations: set[str], progress: Progress
) -> Mapping[tuple[str, str, str], list[_Work]]:
    """When work was done, by line, station and the names the work gives its boards and panels."""
    found: dict[tuple[str, str, str], list[_Work]] = defaultdict(list)
    for fact in facts_of(record, WORKING, as_of, progress):
        station = fact.data.get("station")
        started, ended = instant(fact.data.get("started")), instant(fact.data.get("ended"))
        if station not in stations or started is None or ended is None or ended < started:
            continue
        line = fact.source.rpartition("/")[0]
        for name in _names(fact):
            found[line, station, name].append(_Work(started / 1e6, ended / 1e6))
    return found


def _names(fact: Fact) -> set[str]:
    names: set[str] = set()
    for mention in mentions(fact):
        names.update(name.node.value for name in mention.names)
        if mention.panel is not None:
            names.add(mention.panel.node.value)
    return names


def _visits(rows: Iterable[FlowRow], works: Mapping[tuple[str, str, str], list[_Work]]) -> Iterator[Visit]:
    """Boards of one panel that passed at the same time are one thing that moved."""
    together: dict[tuple[object, ...], list[FlowRow]] = defaultdict(list)
    for row in rows:
        whole = row.panel if row.panel is not None else row.value
        together[row.line, row.station, row.lane, row.side, whole, row.since, row.until].append(row)
    for group in together.values():
        first = group[0]
        boards = tuple(sorted({_named(row) for row in group}))
        single = len(group) == 1 and first.unit == "board"
        thing = boards[0] if single else (first.panel or first.value)
        left = first.until / 1e6 if first.latest == first.until else math.nan
        arrived, seen = first.since / 1e6, first.until / 1e6
        names = {first.panel, *(row.value for row in group)} - {None}
        started, finished = _during(
            [work for name in names for work in works.get((first.line, first.station, str(name)), ())],
            arrived, seen, left,
        )  # fmt: skip
        yield Visit(
            first.line, first.station, first.lane, first.side, thing, boards, first.part, first.program, arrived, started,
            finished, left, seen, first.certainty,
        )  # fmt: skip


def _during(works: Sequence[_Work], arrived: float, seen: float, left: float) -> tuple[float, float]:
    """When the work of a visit began and ended: within it, as far as two clocks agree."""
    fitting = [work for work in works if work.started >= arrived - _SKEW and work.ended <= seen + _SKEW]
    if not fitting:
        return math.nan, math.nan
    end = seen if math.isnan(left) else left
    started = min(max(min(work.started for work in fitting), arrived), end)
    return started, max(min(max(work.ended for work in fitting), end), started)


def _named(row: FlowRow) -> str:
    return f"{row.value} #{row.position}" if row.position else row.value


def _orders(record: Record, as_of: AsOf, visits: Sequence[Visit]) -> dict[str, tuple[str, ...]]:
    """Declared order where a line is declared; else the order in which stations are first passed, on the median."""
    declared: dict[str, tuple[str, ...]] = {}
    for fact in facts_of(record, ("line.declared",), as_of):
        line = f"{fact.source.rpartition('/')[0].rpartition('/')[0]}/{fact.data['line']}"
        declared[line] = tuple(station["name"] for station in fact.data["stations"])
    found: dict[str, tuple[str, ...]] = {}
    for line in sorted({visit.line for visit in visits}):
        here = {visit.station for visit in visits if visit.line == line}
        order = [name for name in declared.get(line, ()) if name in here]
        rest = here - set(order)
        found[line] = (*order, *sorted(rest, key=lambda name: _rank(visits, line, name)))
    return found


def _rank(visits: Sequence[Visit], line: str, station: str) -> tuple[float, str]:
    """How far behind its thing's first sight a station is, on the median."""
    first: dict[tuple[str, str | None], float] = {}
    later: list[float] = []
    for visit in visits:
        if visit.line != line:
            continue
        begun = first.setdefault((visit.thing, visit.side), visit.arrived)
        if visit.station == station:
            later.append(visit.arrived - begun)
    later.sort()
    return later[len(later) // 2], station

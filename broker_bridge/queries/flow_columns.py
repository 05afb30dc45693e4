"""Visits of what moves on a line, as columns: a panel counts once, with the boards in it; times in seconds.

Arrivals and departures are those of the histories, work and inspections add when they were started and finished.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

import numpy as np

from broker_bridge.errors import StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived, FlowRow
from broker_bridge.queries.boards import holding
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import instant
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.revisions import raw_record

Progress = Callable[[float, str], None]
Spell = tuple[float, float]

WORKING: Final = (
    "work.completed", "work.print_attempted", "inspection.completed", "inspection.test_completed",
    "inspection.paste_topped_up", "inspection.rework_performed",
)  # fmt: skip
_STEP: Final = 2000
_SKEW: Final = timedelta(seconds=60).total_seconds()
"""How far the clock that tells of work may be from the one that tells of the passage (trace.stays)."""
_SECONDS: Final = {"ms": 0.001, "s": 1.0, "min": 60.0}
_DAY: Final = 86400.0


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
    """As stated; else the one that the station ran for that part and side whenever it stated one."""
    arrived: float
    started: float
    finished: float
    departed: float
    seen: float
    """Seen there last."""
    certainty: str
    supposed: bool = False
    """Its program was not stated for it."""


class Flow(NamedTuple):
    """What a question about flow stands on."""

    visits: tuple[Visit, ...]
    """Those that began in the time that is asked for, in order of arrival."""
    around: tuple[Visit, ...]
    """Those of any time that are asked for otherwise."""
    order: Mapping[str, tuple[str, ...]]
    """The stations of each line, as declared last or as visits go."""
    begin: float
    end: float
    """The time that is asked for, as far as the record goes."""
    shift: tuple[int, int] | None
    now: float
    """Time of the newest event."""
    as_of: AsOf
    unknown_departures: int
    settled: str | None
    """Why the newest events are not in it."""

    def windows(self) -> tuple[Spell, ...]:
        """The time that is asked for as stretches: one, or those of a shift, day by day."""
        if self.end <= self.begin:
            return ()
        if self.shift is None:
            return ((self.begin, self.end),)
        start, stop = (minutes * 60.0 for minutes in self.shift)
        long = (stop - start) % _DAY
        first = math.floor(self.begin / _DAY) - 1
        spells = [
            (max(day * _DAY + start, self.begin), min(day * _DAY + start + long, self.end))
            for day in range(first, math.floor(self.end / _DAY) + 1)
        ]
        return tuple((since, until) for since, until in spells if until > since)


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
    around = sorted(
        (
            visit
            for visit in _programmed(list(_visits(rows, works)))
            if choice.program in (None, visit.program)
        ),
        key=lambda visit: (visit.arrived, visit.station, visit.thing),
    )
    kept = choice.when(np.asarray([round(visit.arrived * 1e6) for visit in around], np.int64))
    visits = tuple(visit for visit, keep in zip(around, kept.tolist(), strict=True) if keep)
    span = record.reader.span(as_of.number)
    now = (instant(span[1]) or 0) / 1e6 if span else 0.0
    first = min((visit.arrived for visit in visits), default=0.0)
    last = max((visit.seen for visit in visits), default=0.0)
    return Flow(
        visits, tuple(around), _orders(record, as_of, around),
        choice.since.timestamp() if choice.since else first, min(choice.until.timestamp(), now) if choice.until else last,
        choice.shift, now, as_of, sum(math.isnan(v.departed) for v in visits), late,
    )  # fmt: skip


def _asked(row: FlowRow, choice: Choice) -> bool:
    # Not by program yet: that of boards for which none is stated comes from the others.
    wanted = (choice.station, choice.part, choice.side, choice.equipment)
    stated = (row.station, row.part, row.side, row.equipment)
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
        work = _work(fact) if station in stations else None
        if station is None or work is None:
            continue
        line = fact.source.rpartition("/")[0]
        for name in _names(fact):
            found[line, station, name].append(work)
    return found


def _work(fact: Fact) -> _Work | None:
    """When it began and ended: as stated, or from the end and a value that is named duration."""
    started, ended = instant(fact.data.get("started")), instant(fact.data.get("ended"))
    if started is None and fact.type == "work.print_attempted":
        long = [value for value in fact.data.get("values", ()) if value["name"] == "duration"]
        if len(long) == 1 and long[0].get("value") is not None and long[0].get("unit") in _SECONDS:
            ended = instant(fact.time)
            seconds = long[0]["value"] * _SECONDS[long[0]["unit"]]
            started = None if ended is None else ended - round(seconds * 1e6)
    if started is None or ended is None or ended < started:
        return None
    return _Work(started / 1e6, ended / 1e6)


def _names(fact: Fact) -> set[str]:
    # As trace.mentions tells them, but for what a name is of: two hundred thousand events are read for one answer.
    names: set[str] = set()
    for board in fact.data.get("boards", ()):
        names.update(name["value"] for name in board["identifiers"])
        if board.get("panel"):
            names.add(board["panel"]["value"])
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
        program = next((row.program for row in group if row.program is not None), None)
        names = {first.panel, *(row.value for row in group)} - {None}
        started, finished = _during(
            [work for name in names for work in works.get((first.line, first.station, str(name)), ())],
            arrived, seen, left,
        )  # fmt: skip
        yield Visit(
            first.line, first.station, first.lane, first.side, thing, boards, first.part, program, arrived, started,
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


def _programmed(visits: Sequence[Visit]) -> Iterator[Visit]:
    """Where a station tells its program for some only: the one program that it ever ran for that part and side."""
    ran: dict[tuple[str, str, str | None, str | None], set[str]] = defaultdict(set)
    for visit in visits:
        if visit.program is not None:
            ran[visit.line, visit.station, visit.part, visit.side].add(visit.program)
    for visit in visits:
        programs = ran.get((visit.line, visit.station, visit.part, visit.side), ())
        yield (
            visit._replace(program=next(iter(programs)), supposed=True)
            if visit.program is None and len(programs) == 1
            else visit
        )


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
        ranks = _ranks(visits, line) if rest else {}
        found[line] = (*order, *sorted(rest, key=lambda name: (ranks[name], name)))
    return found


def _ranks(visits: Sequence[Visit], line: str) -> dict[str, float]:
    """How far behind its thing's first sight each station is, on the median."""
    first: dict[tuple[str, str | None], float] = {}
    later: dict[str, list[float]] = defaultdict(list)
    for visit in visits:
        if visit.line == line:
            begun = first.setdefault((visit.thing, visit.side), visit.arrived)
            later[visit.station].append(visit.arrived - begun)
    return {station: sorted(spans)[len(spans) // 2] for station, spans in later.items()}


def stamp(seconds: float) -> str:
    """A moment, UTC."""
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}"


def lasted(seconds: float) -> str:
    """A duration in words."""
    minutes, rest = divmod(round(abs(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"

"""How boards flow: the line as a whole, its stations, its changeovers. Every number names its boards."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from broker_bridge.analysis.flow import Durations, LineFlow, StationFlow, changeovers, line_flow, station_flow
from broker_bridge.analysis.intervals import Interval, Mean, Rate, Refused
from broker_bridge.analysis.line_balance import Bottleneck, balance, bottleneck, faster, line_limits
from broker_bridge.errors import UsageError
from broker_bridge.queries.figures import mean, plain, refused
from broker_bridge.queries.flow_columns import Flow, Visit
from broker_bridge.trace.quality import Answer, Figure, Plot, Section

_IDLE_S: Final = 24 * 3600.0
"""A thing last seen so long before the newest event is no longer in the line; common practice, no source."""
_HOUR: Final = 3600.0


class Run(NamedTuple):
    """One pass of a thing through a line, on one side."""

    thing: str
    side: str | None
    boards: tuple[str, ...]
    entered: float
    left: float
    """NaN: it is still inside, or nothing shows that it left."""


def runs(visits: Iterable[Visit], now: float) -> list[Run]:
    """Passes through a line, in order of entry. `visits` in order of arrival.

    A departure that nobody saw is taken for the last sight where passes of that side mostly end at that station, where the
    thing was seen again on its other side, or a day before the newest event.
    """
    found: dict[tuple[str, str | None], list[Visit]] = defaultdict(list)
    side: dict[str, str | None] = {}
    for visit in visits:
        # Review and test do not say a side: they belong to the pass that they follow.
        side[visit.thing] = visit.side or side.get(visit.thing)
        found[visit.thing, side[visit.thing]].append(visit)
    last = {key: max(group, key=lambda visit: visit.seen) for key, group in found.items()}
    ends: dict[str | None, Counter[str]] = defaultdict(Counter)
    latest: dict[str, float] = {}
    for (thing, on), visit in last.items():
        ends[on][visit.station] += 1
        latest[thing] = max(visit.seen, latest.get(thing, visit.seen))
    made: list[Run] = []
    for (thing, on), group in found.items():
        visit = last[thing, on]
        left = visit.departed
        over = visit.station == ends[on].most_common(1)[0][0] or visit.seen < latest[thing]
        if math.isnan(left) and (over or now - visit.seen > _IDLE_S):
            left = visit.seen
        boards = tuple(sorted({board for visit in group for board in visit.boards}))
        made.append(Run(thing, on, boards, min(visit.arrived for visit in group), left))
    return sorted(made, key=lambda run: (run.entered, run.thing))


def flow_line(
    flow: Flow, asked: str, *, quicker: Mapping[str, float] | None = None, level: float = 0.95
) -> Answer:
    """Throughput, boards in process, time in line, Little's law, the bottleneck, balance, what a faster station gains."""
    sections: list[Section] = []
    sentences: list[str] = []
    plots: list[Plot] = []
    remarks = _remarks(flow)
    found = False
    for line, order in flow.order.items():
        name = line.rpartition("/")[2]
        visits = [visit for visit in flow.visits if visit.line == line]
        passes = runs(visits, flow.now)
        whole = line_flow(
            [run.entered for run in passes], [_or_none(run.left) for run in passes], boards=list(range(len(passes))),
            level=level,
        )  # fmt: skip
        of_stations = {s: station_of(visits, s, level) for s in order}
        known = {s: one for s, one in of_stations.items() if isinstance(one, StationFlow)}
        figures = _line_figures(whole, passes, visits)
        sections.append(Section(f"{name} as a whole", tuple(figures)))
        narrow = bottleneck(known)
        bound, told = _bound(narrow, known, visits)
        found = found or not isinstance(narrow, Refused)
        sections.append(Section(f"{name}: what bounds it", tuple(bound)))
        sections += _balanced(name, known, whole, visits, quicker or {})
        sentences.append(_said(name, whole, told))
        plots += [_cycles(name, known, order)] if known else []
        unknown = [s for s in order if s not in known]
        if unknown:
            remarks.append(
                f"{name}: when work began and ended is not known at {', '.join(unknown)}; they may bound the line as well"
            )
    return Answer(
        "line", " ".join(sentences) or "No visit of it is in the record.", asked, tuple(sections), tuple(plots),
        tuple(remarks), found, flow.as_of,
    )  # fmt: skip


def flow_stations(flow: Flow, asked: str, *, level: float = 0.95) -> Answer:
    """Each station: cycle, dwell, time between departures, and the shares of its time."""
    sections: list[Section] = []
    worst: list[tuple[float, str, str]] = []
    for line, order in flow.order.items():
        visits = [visit for visit in flow.visits if visit.line == line]
        for station in order:
            here = [visit for visit in visits if visit.station == station]
            one = station_of(visits, station, level)
            sections.append(_station(f"{line.rpartition('/')[2]} {station}", here, one, level))
            if isinstance(one, StationFlow):
                worst.append((one.blocked, station, "blocked"))
                worst.append((one.starved, station, "starved"))
    told = [
        f"{name} is {what} most, {share:.0%} of its time" for share, name, what in _most(worst) if share > 0
    ]
    sentence = f"{len(sections)} stations, {len(flow.visits)} visits" + (
        f"; {'; '.join(told)}." if told else "."
    )
    return Answer("stations", sentence, asked, tuple(sections), (), tuple(_remarks(flow)), False, flow.as_of)


def flow_changes(flow: Flow, asked: str, *, level: float = 0.95) -> Answer:
    """Changeovers: from the last board of one program to the first of the next, station by station."""
    sections: list[Section] = []
    lengths: list[tuple[float, str, str]] = []
    for line, order in flow.order.items():
        for station in order:
            here = [visit for visit in flow.visits if (visit.line, visit.station) == (line, station)]
            begun = [visit.arrived if math.isnan(visit.started) else visit.started for visit in here]
            ended = [_last(visit) for visit in here]
            found = changeovers(
                [visit.program for visit in here], begun, ended, boards=list(range(len(here)))
            )
            figures = [
                plain(
                    f"{change.before} to {change.after}", change.seconds, "s",
                    boards=(*here[int(str(change.last))].boards, *here[int(str(change.first))].boards),
                    note=None if change.seconds >= 0 else "the programs overlap: two lanes, or a time is wrong",
                    details={"from": _stamp(change.finished), "to": _stamp(change.started)},
                )
                for change in found
            ]  # fmt: skip
            if figures:
                sections.append(Section(f"{line.rpartition('/')[2]} {station}", tuple(figures)))
                lengths += [(c.seconds, station, f"{c.before} to {c.after}") for c in found]
    if lengths:
        longest = max(lengths)
        sentence = f"{len(lengths)} changes of program; the longest took {_span(longest[0])}, at {longest[1]}, {longest[2]}."
    else:
        sentence = "No change of program is in the record of it."
    return Answer("changes", sentence, asked, tuple(sections), (), tuple(_remarks(flow)), False, flow.as_of)


def station_of(visits: Sequence[Visit], station: str, level: float) -> StationFlow | Refused:
    """The flow of one station; keys are rows of its visits."""
    here = [visit for visit in visits if visit.station == station]
    return station_flow(
        [visit.arrived for visit in here], [_or_none(v.started) for v in here], [_or_none(v.finished) for v in here],
        [_or_none(visit.departed) for visit in here], boards=list(range(len(here))), level=level,
    )  # fmt: skip


def _line_figures(whole: LineFlow | Refused, passes: Sequence[Run], visits: Sequence[Visit]) -> list[Figure]:
    if isinstance(whole, Refused):
        return [refused("throughput", whole, "passes")]
    counted = "passes"
    inside = [board for key in whole.still_inside for board in passes[int(str(key))].boards]
    gone = [board for run in passes if not math.isnan(run.left) for board in run.boards]
    figures = [
        _hourly("throughput", whole.throughput, "per hour", counted, gone),
        plain(
            "in process", whole.in_process, counted, boards=inside, number=len(whole.still_inside),
            details={"begins empty": _yes(whole.begins_empty), "ends empty": _yes(whole.ends_empty)},
            note="averaged over the time from the first entry to the last leaving",
        ),
        mean("time in line", whole.time_in_line, "s", counted),
        plain(
            "Little's law", whole.littles_law,
            note="in process over throughput times time in line: 1 where the line begins and ends empty",
        ),
    ]  # fmt: skip
    if len({visit.certainty for visit in visits}) > 1:
        doubtful = [v for v in visits if v.certainty != "observed"]
        figures.append(
            plain(
                "visits not observed", len(doubtful) / len(visits), "share", number=len(doubtful), of=len(visits),
                counted="visits", boards=sorted({board for visit in doubtful for board in visit.boards}),
            )
        )  # fmt: skip
    return figures


def _bound(
    narrow: Bottleneck | Refused, known: Mapping[str, StationFlow], visits: Sequence[Visit]
) -> tuple[list[Figure], str]:
    if isinstance(narrow, Refused):
        return [refused("bottleneck", narrow)], "what bounds it cannot be told"
    pair = [[v for v in visits if v.station == s] for s in (narrow.station, narrow.runner_up)]
    alike = _boards_a_pass(pair[0]) == _boards_a_pass(pair[1])
    # Cycles of panels and of boards by themselves are no measure for each other.
    sure = "surely" if narrow.certain and alike else "probably"
    figures = [
        plain(
            f"busy: {narrow.station}", narrow.busy, "share",
            note=f"the bottleneck, {sure}: {narrow.runner_up} comes next, {narrow.margin:.1%} less busy",
        )
    ]  # fmt: skip
    place = list(known).index(narrow.station)
    for title, value, stations in (
        ("blocked before it", narrow.blocked_before, list(known)[:place]),
        ("starved behind it", narrow.starved_behind, list(known)[place + 1 :]),
    ):
        if value is not None:
            figures.append(plain(title, value, "share", note=f"mean of {', '.join(stations)}"))
    pattern = "as they should be" if narrow.pattern else "which does not fit: look at buffers, stops and gaps"
    figures.append(
        plain(
            "pattern", None,
            note=f"stations before it more blocked than starved, behind it more starved than blocked: {'yes, ' if narrow.pattern else 'no, '}{pattern}",
        )
    )  # fmt: skip
    return figures, f"{narrow.station} {sure} bounds it, busy {narrow.busy:.0%} of the time"


def _balanced(
    name: str,
    known: Mapping[str, StationFlow],
    whole: LineFlow | Refused,
    visits: Sequence[Visit],
    quicker: Mapping[str, float],
) -> list[Section]:
    cycles = {s: one for s in known if (one := _per_board(visits, s)) > 0}
    even = balance(cycles)
    if isinstance(even, Refused):
        return []
    figures = [
        plain(
            "balance",
            even.balance,
            "share",
            note=f"bound by {', '.join(even.bound_by)}: {even.cycle:.1f} s a board",
        ),
        plain(
            "possible throughput", even.per_hour, "boards per hour", note="stops, waiting and handling aside"
        ),
    ]
    figures += [plain(f"waits in a cycle: {s}", idle, "s") for s, idle in even.idle.items()]
    inside = 0.0 if isinstance(whole, Refused) else whole.in_process * _boards_a_pass(visits)
    if inside > 0:
        limits = line_limits(1 / even.cycle, sum(cycles.values()), inside)
        figures.append(
            plain(
                "critical in process", limits.critical, "boards",
                note="so many in process keep the bottleneck busy, were there no waiting (Hopp and Spearman, Factory Physics)",
                details={"best per hour": limits.best[0] * _HOUR, "practical worst per hour": limits.practical_worst[0] * _HOUR},
            )
        )  # fmt: skip
    sections = [Section(f"{name}: balance of the work on a board", tuple(figures))]
    gains: list[Figure] = []
    asked = quicker or {even.bound_by[0]: even.cycle * 0.9}
    for station, seconds in asked.items():
        if station not in cycles:
            raise UsageError(
                f"--faster {station}: its cycle is not known; those of {', '.join(cycles) or 'no station'} are"
            )
        gain = faster(cycles, station, seconds)
        if not isinstance(gain, Refused):
            gains.append(
                plain(
                    f"{station} in {seconds:.1f} s", gain.more_per_hour, "boards per hour more",
                    note=f"then bound by {', '.join(gain.bound_by)}; below {gain.useful:.1f} s nothing more is gained",
                )
            )  # fmt: skip
    sections.append(Section(f"{name}: what a faster station would gain at most", tuple(gains)))
    return sections


def _per_board(visits: Sequence[Visit], station: str) -> float:
    """Seconds of work on one board: what compares a station that works on panels with one that works on boards."""
    known = [v for v in visits if v.station == station and not math.isnan(v.finished - v.started)]
    boards = sum(len(visit.boards) for visit in known)
    return sum(visit.finished - visit.started for visit in known) / boards if boards else 0.0


def _boards_a_pass(visits: Sequence[Visit]) -> float:
    return sum(len(visit.boards) for visit in visits) / len(visits) if visits else 0.0


def _station(title: str, here: Sequence[Visit], one: StationFlow | Refused, level: float) -> Section:
    names = [visit.boards for visit in here]
    dwell = [v.departed - v.arrived for v in here if not math.isnan(v.departed)]
    from broker_bridge.analysis.intervals import mean as mean_of

    left = sorted(v.departed for v in here if not math.isnan(v.departed))
    import numpy as np

    gaps = np.asarray([b - a for a, b in pairwise(left)], np.float64)
    figures: list[Figure] = []
    boards = sorted({board for part in names for board in part})
    figures.append(plain("visits", float(len(here)), counted="visits", boards=boards))
    if isinstance(one, Refused):
        figures.append(refused("cycle", one, "visits with all four times"))
        figures.append(mean("dwell", mean_of(np.asarray(dwell, np.float64), level), "s", "visits"))
    else:
        figures.append(_durations("cycle", one.cycle, names))
        figures.append(_durations("dwell", one.dwell, names))
        for what in ("busy", "blocked", "starved", "waiting"):
            figures.append(plain(what, getattr(one, what), "share"))
        partial = sorted({board for key in one.partial for board in names[int(str(key))]})
        coverage = one.coverage
        figures.append(
            refused("visits with all four times", coverage)
            if isinstance(coverage, Refused)
            else plain(
                "visits with all four times", coverage.value, "share", number=coverage.number, of=coverage.of,
                counted="visits", boards=partial, spans=(coverage.wilson,),
                note="the others are in no share: starved is told too high by them" if partial else None,
            )
        )  # fmt: skip
    median = float(np.median(gaps)) if len(gaps) else None
    figures.append(plain("between departures, median", median, "s", of=len(gaps), counted="departures"))
    return Section(title, tuple(figures))


def _durations(name: str, found: Durations, names: Sequence[tuple[str, ...]]) -> Figure:
    longest = names[int(str(found.longest))] if found.longest is not None else ()
    figure = mean(name, found.mean, "s", "visits", median=found.median, p95=found.p95)
    return figure._replace(boards=tuple(longest))


def _hourly(name: str, found: Rate | Refused, unit: str, counted: str, boards: Sequence[str]) -> Figure:
    if isinstance(found, Refused):
        return refused(name, found, counted)
    low, high = found.interval.low * _HOUR, found.interval.high * _HOUR
    interval = Interval(low, high, found.interval.level, found.interval.method)
    return plain(
        name, found.value * _HOUR, unit, boards=sorted(set(boards)), number=found.number, of=found.of / _HOUR,
        counted=f"hours ({counted})", spans=(interval,),
    )  # fmt: skip


def _cycles(name: str, known: Mapping[str, StationFlow], order: Sequence[str]) -> Plot:
    there = [s for s in order if s in known and isinstance(known[s].cycle.mean, Mean)]
    means = [one for s in there if isinstance(one := known[s].cycle.mean, Mean)]
    return Plot(
        "intervals", f"mean cycle of each station of {name}", tuple(there), "s", tuple(m.value for m in means),
        lower=tuple(m.interval.low for m in means), upper=tuple(m.interval.high for m in means),
    )  # fmt: skip


def _said(name: str, whole: LineFlow | Refused, bound: str) -> str:
    if isinstance(whole, Refused):
        return f"{name}: {whole.reason}."
    per_hour = whole.throughput.value * _HOUR if isinstance(whole.throughput, Rate) else math.nan
    time = (
        f", each {_span(whole.time_in_line.value)} in the line"
        if isinstance(whole.time_in_line, Mean)
        else ""
    )
    return f"{name}: {whole.left} left, {per_hour:.1f} an hour{time}, {whole.in_process:.1f} in process on average; {bound}."


def _remarks(flow: Flow) -> list[str]:
    told = [
        "a panel counts once; boards that move by themselves count each; a pass on each side counts by itself"
    ]
    if flow.unknown_departures:
        told.append(
            f"{flow.unknown_departures} of {len(flow.visits)} visits have no departure that was seen: they are in no dwell"
        )
    return told + ([flow.settled] if flow.settled else [])


def _most(rows: list[tuple[float, str, str]]) -> list[tuple[float, str, str]]:
    return [
        max(row for row in rows if row[2] == what)
        for what in ("blocked", "starved")
        if any(r[2] == what for r in rows)
    ]


def _last(visit: Visit) -> float:
    for time in (visit.finished, visit.departed):
        if not math.isnan(time):
            return time
    return visit.seen


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _span(seconds: float) -> str:
    minutes, rest = divmod(round(abs(seconds)), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _stamp(seconds: float) -> str:
    from datetime import UTC, datetime

    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}"

"""How boards flow through a line: throughput, boards in process, Little's law, what holds it up. Every number names its boards."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from broker_bridge.analysis.flow import LineFlow, StationFlow, line_flow
from broker_bridge.analysis.intervals import Interval, Mean, Rate, Refused
from broker_bridge.queries.figures import mean, plain, refused
from broker_bridge.queries.flow_bound import Cycle, balanced, bound, cycles_of, passes_of, path_of
from broker_bridge.queries.flow_columns import Flow, Visit, lasted
from broker_bridge.queries.flow_stations import flow_changes, flow_stations, remarks_of, station_of
from broker_bridge.trace.quality import Answer, Figure, Plot, Section

__all__ = ["Run", "flow_changes", "flow_line", "flow_stations", "runs"]

_IDLE_S: Final = 24 * 3600.0
"""A thing last seen so long before the newest event is no longer in the line; common practice, no source."""
_HOUR: Final = 3600.0
_LAW: Final = 0.01
"""How far Little's law may be from 1 on a line that begins and ends empty: two clocks, rounded times."""

_WHOLE: Final = (
    "In process: averaged over the time. The boards of the time in line: the longest. Little's law: in process over throughput times time in line, 1 where a line begins and"
    " ends empty."
)


class Run(NamedTuple):
    """One pass of a thing through a line, on one side."""

    thing: str
    side: str | None
    boards: tuple[str, ...]
    entered: float
    left: float
    """NaN: it is still inside, or nothing shows that it left."""


def runs(visits: Iterable[Visit], now: float) -> list[Run]:
    """Passes through a line. What was seen last a day before the newest event, or turned to its other side, has left."""
    found: dict[tuple[str, str | None], list[Visit]] = defaultdict(list)
    for visit in visits:
        found[visit.thing, visit.side].append(visit)
    sides: dict[str, list[float]] = defaultdict(list)
    for (thing, _), group in found.items():
        sides[thing].append(group[0].arrived)
    made: list[Run] = []
    for (thing, side), group in found.items():
        last = max(group, key=lambda visit: visit.seen)
        left = last.departed
        if math.isnan(left) and (
            now - last.seen > _IDLE_S or any(other > last.seen for other in sides[thing])
        ):
            left = last.seen
        boards = tuple(sorted({board for visit in group for board in visit.boards}))
        made.append(Run(thing, side, boards, min(visit.arrived for visit in group), left))
    return sorted(made, key=lambda run: (run.entered, run.thing))


def flow_line(
    flow: Flow, asked: str, *, quicker: Mapping[str, float] | None = None, level: float = 0.95
) -> Answer:
    """Throughput, boards in process, time in line, Little's law, what holds it up, balance, what a faster station gains."""
    sections: list[Section] = []
    sentences: list[str] = []
    plots: list[Plot] = []
    remarks = remarks_of(flow)
    found = False
    for line, order in flow.order.items():
        name = line.rpartition("/")[2]
        visits = [visit for visit in flow.visits if visit.line == line]
        if not visits:
            continue
        passes = passes_of(visits, order)
        whole, times = _whole(flow, line, passes.order, level)
        shares = {
            station: one for station in passes.order
            if isinstance(one := station_of(visits, station, flow.windows(), level), StationFlow)
        }  # fmt: skip
        path = path_of(passes)
        section, told, held = bound(name, passes, path, shares)
        found = found or held
        sections += [
            Section(f"{name} as a whole", tuple(_line_figures(whole, times, visits)), _WHOLE),
            section,
        ]
        cycles = cycles_of(passes, path)
        inside = 0.0 if isinstance(whole, Refused) else whole.in_process * _boards_a_pass(times)
        sections += balanced(name, passes, cycles, inside, quicker or {})
        sentences.append(_said(name, whole, times, told))
        plots += [_drawn(name, cycles)] if cycles else []
        if passes.beside:
            remarks.append(
                f"{name}: {', '.join(passes.beside)} stand beside the line: not four in five passes touch them, or boards come there"
                " one by one; they are in none of these numbers"
            )
    return Answer(
        "line", " ".join(sentences) or "No visit of it is in the record.", asked, tuple(sections), tuple(plots),
        tuple(remarks), found, flow.as_of,
    )  # fmt: skip


def _whole(
    flow: Flow, line: str, inline: Sequence[str], level: float
) -> tuple[LineFlow | Refused, list[Run]]:
    """The line from its first station to its last. Of a shift those passes that have a visit in it, over their own time."""
    of = flow.visits if flow.shift else flow.around
    passes = runs((visit for visit in of if visit.line == line and visit.station in inline), flow.now)
    if not flow.shift:
        passes = [
            run for run in passes
            if run.entered <= flow.end and (math.isnan(run.left) or run.left >= flow.begin)
        ]  # fmt: skip
    entered, left = [run.entered for run in passes], [_or_none(run.left) for run in passes]
    window = None if flow.shift or flow.end <= flow.begin else (flow.begin, _end(flow, passes))
    return line_flow(entered, left, window=window, boards=list(range(len(passes))), level=level), passes


def _end(flow: Flow, passes: Sequence[Run]) -> float:
    """The end that is asked for; nothing of this line is behind its last leaving, if all have left."""
    last = max(
        (run.entered if math.isnan(run.left) else run.left for run in passes), default=flow.end
    )  # fmt: skip
    return min(flow.end, last) if all(not math.isnan(run.left) for run in passes) else flow.end


def _line_figures(whole: LineFlow | Refused, passes: Sequence[Run], visits: Sequence[Visit]) -> list[Figure]:
    if isinstance(whole, Refused):
        return [refused("throughput", whole, "passes")]
    counted = "passes"
    begin, end = whole.window
    inside = [board for key in whole.still_inside for board in passes[int(str(key))].boards]
    gone = [run for run in passes if begin < run.left <= end]
    took = [run for run in gone if run.entered >= begin]
    longest = max(took, key=lambda run: run.left - run.entered, default=None)
    figures = [
        _hourly(
            "throughput, passes", whole.throughput, "per hour", counted, [b for run in gone for b in run.boards]
        ),
        plain(
            "throughput, boards", sum(len(run.boards) for run in gone) / (end - begin) * _HOUR, "per hour",
            boards=sorted({board for run in gone for board in run.boards}),
        ),
        plain(
            "in process", whole.in_process, counted, boards=sorted(set(inside)),
            note=f"{len(whole.still_inside)} inside at the end; begins {_empty(whole.begins_empty)}, ends {_empty(whole.ends_empty)}",
        ),
        mean("time in line", whole.time_in_line, "s", counted)._replace(
            boards=longest.boards if longest else (), details={}
        ),
        plain("Little's law", whole.littles_law, note=_law(whole)),
    ]  # fmt: skip
    doubtful = [v for v in visits if v.certainty != "observed"]
    if doubtful:
        figures.append(
            plain(
                "visits not observed", len(doubtful) / len(visits), "share", number=len(doubtful), of=len(visits),
                counted="visits", boards=sorted({board for visit in doubtful for board in visit.boards}),
            )
        )  # fmt: skip
    return figures


def _law(whole: LineFlow) -> str:
    if whole.littles_law is None:
        return "cannot tell: nothing went through"
    off = abs(whole.littles_law - 1)
    if whole.begins_empty and whole.ends_empty:
        return "holds, as it has to" if off <= _LAW else f"off by {off:.1%}: times contradict each other"
    return f"off by {off:.1%}, because the line does not begin and end empty"


def _boards_a_pass(passes: Sequence[Run]) -> float:
    return sum(len(run.boards) for run in passes) / len(passes) if passes else 0.0


def _hourly(name: str, found: Rate | Refused, unit: str, counted: str, boards: Sequence[str]) -> Figure:
    if isinstance(found, Refused):
        return refused(name, found, counted)
    low, high = found.interval.low * _HOUR, found.interval.high * _HOUR
    interval = Interval(low, high, found.interval.level, found.interval.method)
    return plain(
        name, found.value * _HOUR, unit, boards=sorted(set(boards)), number=found.number,
        of=round(found.of / _HOUR, 3), counted="hours", spans=(interval,),
    )  # fmt: skip


def _drawn(name: str, cycles: Mapping[str, Cycle]) -> Plot:
    bars = sorted(cycles.items(), key=lambda item: -item[1].thing)
    return Plot(
        "intervals", f"cycle of each station of {name}", tuple(station for station, _ in bars), "s",
        tuple(cycle.thing for _, cycle in bars), lower=tuple(cycle.thing for _, cycle in bars),
        upper=tuple(cycle.thing for _, cycle in bars),
    )  # fmt: skip


def _said(name: str, whole: LineFlow | Refused, passes: Sequence[Run], bound: str) -> str:
    if isinstance(whole, Refused):
        return f"{name}: {whole.reason}."
    per_hour = whole.throughput.value * _HOUR if isinstance(whole.throughput, Rate) else 0.0
    each = _boards_a_pass(passes)
    boards = f" of {each:.1f} boards" if each > 1 else ""
    time = (
        f", each {lasted(whole.time_in_line.value)} in the line"
        if isinstance(whole.time_in_line, Mean)
        else ""
    )
    return (
        f"{name}: {whole.left} passes{boards} in {(whole.window[1] - whole.window[0]) / _HOUR:.1f} h, {per_hour:.1f} an hour{time},"
        f" {whole.in_process:.1f} in process on average; {bound}."
    )


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _empty(value: bool) -> str:
    return "empty" if value else "with boards inside"

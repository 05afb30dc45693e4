"""Each station by itself: cycle, dwell, the shares of its time; and changeovers."""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from broker_bridge.analysis.flow import Durations, StationFlow, changeovers, inside, station_flow
from broker_bridge.analysis.intervals import Proportion, Refused
from broker_bridge.analysis.intervals import mean as mean_of
from broker_bridge.queries.figures import mean, plain, refused, span
from broker_bridge.queries.flow_columns import Flow, Spell, Visit, lasted, stamp
from broker_bridge.trace.quality import Answer, Figure, Plot, Section


def station_of(
    visits: Sequence[Visit], station: str, windows: Sequence[Spell], level: float
) -> StationFlow | Refused:
    """The flow of one station; keys are rows of its visits."""
    here = [visit for visit in visits if visit.station == station]
    return station_flow(
        [visit.arrived for visit in here], [_or_none(v.started) for v in here], [_or_none(v.finished) for v in here],
        [_or_none(visit.departed) for visit in here], boards=list(range(len(here))), windows=windows, level=level,
    )  # fmt: skip


def flow_stations(flow: Flow, asked: str, *, level: float = 0.95) -> Answer:
    """Each station: cycle, dwell, time between departures, and the shares of its time."""
    sections: list[Section] = []
    worst: list[tuple[float, str, str]] = []
    for line, order in flow.order.items():
        visits = [visit for visit in flow.visits if visit.line == line]
        for station in order:
            here = [visit for visit in visits if visit.station == station]
            if not here:
                continue
            one = station_of(here, station, flow.windows(), level)
            title = f"{line.rpartition('/')[2]} {station}"
            sections.append(Section(title, tuple(_figures(here, one, flow.windows(), level))))
            if isinstance(one, StationFlow) and _whole(one):
                worst += [(one.blocked, station, "blocked"), (one.starved, station, "starved")]
    most = [
        f"{name} is {what} most, {share:.0%} of the time" for share, name, what in _most(worst) if share > 0
    ]
    sentence = f"{len(sections)} station{'' if len(sections) == 1 else 's'}, {len(flow.visits)} visits in {(flow.end - flow.begin) / 3600:.1f} h"
    sentence += f"; {'; '.join(most)}." if most else "; of none it is known when most work was done."
    if not sections:
        sentence = "No visit of it is in the record."
    told = [
        "waiting: a board there, not yet begun; a board there: from arrival to departure, else until it was last seen; the boards"
        " of a duration: the longest; of a coverage: those left out",
        *remarks_of(flow),
    ]
    plots = _drawn(sections)
    return Answer("stations", sentence, asked, tuple(sections), plots, tuple(told), False, flow.as_of)


def flow_changes(flow: Flow, asked: str, *, level: float = 0.95) -> Answer:
    """Changeovers: from the last board of one program to the first of the next, station by station."""
    sections: list[Section] = []
    lengths: list[tuple[float, str, str]] = []
    for line, order in flow.order.items():
        for station in order:
            here = [visit for visit in flow.visits if (visit.line, visit.station) == (line, station)]
            begun = [visit.arrived if math.isnan(visit.started) else visit.started for visit in here]
            found = changeovers(
                [v.program for v in here], begun, [_last(v) for v in here], boards=list(range(len(here)))
            )
            figures = [
                plain(
                    f"{change.before} to {change.after}", change.seconds, "s",
                    boards=(*here[int(str(change.last))].boards, *here[int(str(change.first))].boards),
                    note=f"{stamp(change.finished)} to {stamp(change.started)[11:]}"
                    + ("" if change.seconds >= 0 else "; the programs overlap: two lanes, or a time is wrong"),
                )
                for change in found
            ]  # fmt: skip
            if figures:
                every = np.asarray([change.seconds for change in found], np.float64)
                middle = mean_of(every, level)
                told_mean = "" if isinstance(middle, Refused) else (
                    f"Mean {lasted(middle.value)} ({level:.0%}: {lasted(max(0.0, middle.interval.low))} to"
                    f" {lasted(middle.interval.high)}), "
                )  # fmt: skip
                note = f"{told_mean}all together {lasted(float(every.sum()))}."
                sections.append(
                    Section(
                        f"{line.rpartition('/')[2]} {station}", tuple(figures), note[0].upper() + note[1:]
                    )
                )
                lengths += [(c.seconds, station, f"{c.before} to {c.after}") for c in found]
    if lengths:
        longest = max(lengths)
        sentence = (
            f"{len(lengths)} changes of program at {len(sections)} stations; the longest took {lasted(longest[0])}, at {longest[1]},"
            f" {longest[2]}."
        )
    else:
        sentence = "No change of program is in the record of it."
    told = [
        "from the end of the last board of one program to the start of the first of the next: waiting for boards is in it",
        *remarks_of(flow),
    ]
    return Answer("changes", sentence, asked, tuple(sections), (), tuple(told), False, flow.as_of)


def remarks_of(flow: Flow) -> list[str]:
    """What limits answers about flow."""
    told = [
        "a panel counts once; boards that move by themselves count each; a pass on each side counts by itself"
    ]
    if flow.unknown_departures:
        told.append(
            f"{flow.unknown_departures} of {len(flow.visits)} visits have no departure that was seen: they are in no dwell"
        )
    supposed = [visit for visit in flow.visits if visit.supposed]
    if supposed:
        boards = len({board for visit in supposed for board in visit.boards})
        stations = ", ".join(sorted({visit.station for visit in supposed}))
        told.append(
            f"the program of {boards:,} board{'' if boards == 1 else 's'} is inferred, at {stations}: none is stated for them"
            " there, and the station stated but one for all others of that part and side"
        )
    if flow.shift:
        told.append("of a shift: visits that began in it; shares are of its hours only")
    return told + ([flow.settled] if flow.settled else [])


def _figures(
    here: Sequence[Visit], one: StationFlow | Refused, windows: Sequence[Spell], level: float
) -> list[Figure]:
    names = [visit.boards for visit in here]
    everybody = sorted({board for part in names for board in part})
    figures = [plain("visits", float(len(here)), boards=everybody)]
    if isinstance(one, Refused):
        dwell = np.asarray([v.departed - v.arrived for v in here if not math.isnan(v.departed)], np.float64)
        figures += [refused("cycle", one, "visits"), mean("dwell", mean_of(dwell, level), "s", "visits")]
    else:
        figures += [_durations("cycle", one.cycle, names), _durations("dwell", one.dwell, names)]
        partial = sorted({board for key in one.partial for board in names[int(str(key))]})
        if _whole(one):
            figures += [
                plain(what, getattr(one, what), "share") for what in ("busy", "blocked", "starved", "waiting")
            ]
        else:
            figures.append(
                plain(
                    "busy, blocked, starved", None,
                    note="cannot tell: the work of too many visits is not known, they would pass for an empty station",
                )
            )  # fmt: skip
        if isinstance(one.coverage, Proportion):
            figures.append(
                plain(
                    "visits with all four times", one.coverage.value, "share", number=one.coverage.number, of=one.coverage.of,
                    counted="visits", boards=partial, note="the others are in no share" if partial else None,
                )._replace(spans=(span(one.coverage.wilson),))
            )  # fmt: skip
    figures.append(_occupied(here, windows))
    left = sorted(v.departed for v in here if not math.isnan(v.departed))
    gaps = np.asarray([b - a for a, b in pairwise(left)], np.float64)
    median = float(np.median(gaps)) if len(gaps) else None
    figures.append(
        plain("between departures, median", median, "s", of=len(gaps), counted="departures")
    )  # fmt: skip
    return figures


def _whole(one: StationFlow) -> bool:
    """Whether so few visits lack a time that the shares mean something: one in ten; common practice, no source."""
    return len(one.partial) <= 0.1 * one.boards


def _occupied(here: Sequence[Visit], windows: Sequence[Spell]) -> Figure:
    """Share of the time with a board there, from arrivals and departures alone."""
    name = "a board there"
    begin, end = min(v.arrived for v in here), max(v.seen for v in here)
    spells = windows or ((begin, end),)
    start, stop = (
        inside(np.asarray(times, np.float64), spells)
        for times in ([v.arrived for v in here], [v.seen for v in here])
    )
    total = sum(until - since for since, until in spells)
    if total <= 0:
        return plain(name, None, note="cannot tell: it takes no time")
    order = np.argsort(start, kind="stable")
    start, stop = start[order], np.maximum.accumulate(stop[order])
    before = np.append(start[0], stop[:-1])
    return plain(name, float(np.clip(stop - np.maximum(start, before), 0, None).sum()) / total, "share")


def _durations(name: str, found: Durations, names: Sequence[tuple[str, ...]]) -> Figure:
    longest = names[int(str(found.longest))] if found.longest is not None else ()
    figure = mean(name, found.mean, "s", "visits", median=found.median, p95=found.p95)
    details = {name: value for name, value in figure.details.items() if name != "sd"}
    return figure._replace(boards=tuple(longest), details=details)


def _drawn(sections: Sequence[Section]) -> tuple[Plot, ...]:
    rows = [
        (section.title, figure) for section in sections for figure in section.figures
        if figure.name == "cycle" and figure.value is not None and figure.spans
    ]  # fmt: skip
    if not rows:
        return ()
    return (
        Plot(
            "intervals", "mean cycle", tuple(title for title, _ in rows), "s", tuple(f.value for _, f in rows),
            lower=tuple(f.spans[0].low for _, f in rows), upper=tuple(f.spans[0].high for _, f in rows),
        ),
    )  # fmt: skip


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

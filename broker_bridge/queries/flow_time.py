"""Where stations' time goes: the six states of SEMI E10, failures, repair, effectiveness, alarms."""

from collections.abc import Mapping, Sequence
from typing import Final

from broker_bridge.analysis.effectiveness import Effectiveness, iso_22400, semi_e79
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.station_time import (
    STATES,
    Alarms,
    StationTime,
    TimeBetween,
    alarm_pareto,
    station_time,
    time_between,
)
from broker_bridge.errors import UsageError
from broker_bridge.queries.figures import mean, plain, refused, span
from broker_bridge.queries.flow_columns import Flow, Progress, Spell, Visit, lasted
from broker_bridge.queries.flow_states import (
    WHY,
    Stood,
    Stretch,
    boards_in,
    quiet,
    seconds_of,
    stretches,
    told_of,
    within,
)
from broker_bridge.queries.flow_stations import remarks_of
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer, Figure, Plot, Section, Span

_STANDARDS: Final = {"iso": "ISO 22400-2", "e79": "SEMI E79"}
_CYCLES: Final = 10
"""So many cycles have a fastest tenth."""


class Ideals:
    """What effectiveness is measured against."""

    def __init__(
        self, standard: str, ideal: Mapping[str, float], planned: float | None, good: float | None
    ) -> None:
        """`ideal`: seconds a panel of a station at best; `planned`: seconds; `good`: share of good boards."""
        if standard not in _STANDARDS:
            raise UsageError(f"--oee {standard}: there are iso (ISO 22400-2) and e79 (SEMI E79)")
        self.standard, self.ideal, self.planned, self.good = standard, ideal, planned, good


def flow_time(
    record: Record,
    flow: Flow,
    asked: str,
    *,
    ideal: Mapping[str, float] | None = None,
    planned: float | None = None,
    good: float | None = None,
    standard: str = "iso",
    level: float = 0.95,
    progress: Progress = lambda done, of: None,
) -> Answer:
    """Time by state, reliability, effectiveness and alarms of each station, in the time that is asked for.

    `ideal`: seconds a panel of a station at best, else the fastest tenth of its cycles. `planned`: hours, else all of the time.
    `good`: share of good boards, else all. `standard`: iso (ISO 22400-2) or e79 (SEMI E79). Raises UsageError.
    """
    ideals = Ideals(standard, ideal or {}, None if planned is None else planned * 3600, good)
    unknown = sorted(set(ideals.ideal) - {station for order in flow.order.values() for station in order})
    if unknown:
        raise UsageError(f"--ideal {unknown[0]}: no such station is in the answer")
    told = told_of(record, flow, progress)
    windows = flow.windows()
    hours = sum(stop - start for start, stop in windows) / 3600
    sections: list[Section] = []
    alarms: list[tuple[str, Stood, Sequence[str]]] = []
    guessed: list[str] = []
    down: list[tuple[float, str]] = []
    over = dark = 0.0
    for line, order in flow.order.items():
        of_line = [visit for visit in flow.around if visit.line == line]
        at_rest = quiet(of_line, flow.begin, flow.end)
        for station in order:
            said = told[line, station]
            here = [visit for visit in of_line if visit.station == station]
            title = f"{line.rpartition('/')[2]} {station}"
            rows = stretches(said, here, at_rest, flow.begin, flow.end)
            asked_for = [visit for visit in flow.visits if (visit.line, visit.station) == (line, station)]
            times, states, total = within(rows, windows)
            found = (
                station_time(times, states, end=total, cycles=len(asked_for), level=level)
                if times
                else Refused("there is no time in what is asked for")
            )
            if not said.states:
                guessed.append(station)
            sections.append(
                Section(
                    title,
                    tuple(_figures(found, rows, here, asked_for, windows, ideals, bool(said.states), level)),
                )
            )
            if isinstance(found, StationTime):
                down.append((found.seconds["unscheduled_down"] / found.total, title))
                dark += found.seconds["unknown"]
                over += found.total
            for one in said.alarms:
                if _touches(one, windows):
                    boards = boards_in(
                        here, [(one.since, one.until)] if one.until and one.until > one.since else []
                    )
                    alarms.append((f"{station}: {one.code}", one, boards))
            ended = [
                code for time, code in said.over if any(start <= time <= stop for start, stop in windows)
            ]
            alarms += [(f"{station}: {code}", Stood(code, 0.0, 0.0, False), ()) for code in ended]
    plots: list[Plot] = [_states_drawn(sections)] if len(sections) > 1 else []
    if alarms and hours > 0:
        section, plot = _alarms(alarms, hours, level)
        sections.append(section)
        plots += [plot] if plot else []
    return Answer(
        "time", _said(len(down), hours, down, dark / over if over else 0.0, len(alarms)), asked, tuple(sections), tuple(plots),
        tuple(_remarks(flow, ideals, guessed)), any(share > 0 for share, _ in down), flow.as_of,
    )  # fmt: skip


def _said(stations: int, hours: float, down: Sequence[tuple[float, str]], dark: float, alarms: int) -> str:
    if not stations:
        return "No visit of it is in the record."
    share, title = max(down)
    worst = (
        f"{title} was down unplanned the longest, {share:.1%} of the time ({lasted(share * hours * 3600)})"
        if share > 0
        else "no unscheduled downtime is known"
    )
    return (
        f"{stations} station{'s' if stations != 1 else ''} over {hours:.1f} h; {worst};"
        f" {alarms or 'no'} alarm{'' if alarms == 1 else 's'}; of {dark:.0%} of the time the state is not known."
    )


def _remarks(flow: Flow, ideals: Ideals, guessed: Sequence[str]) -> list[str]:
    best = (
        "as stated"
        if ideals.ideal
        else "the fastest tenth of the cycles in the record, unless --ideal states it"
    )
    told = [
        "by SEMI E10's six states; only unscheduled downtime counts as failure; planned stops and engineering are known only where"
        " stations tell them",
        f"effectiveness by {_STANDARDS[ideals.standard]}; planned is {'as stated' if ideals.planned else 'all of the time'}; the best"
        f" cycle is {best}",
    ]
    if ideals.good is None:
        told.append(
            "all boards are taken for good, so effectiveness is told too high: --good states the share"
        )
    if guessed:
        told.append(
            f"{', '.join(guessed)} told no states: productive is work that is known, unscheduled down an alarm without work, standby"
            " a finished board that cannot leave, or no board while the line runs"
        )
    return told + remarks_of(flow)


def _touches(one: Stood, windows: Sequence[Spell]) -> bool:
    return any(one.since <= stop and (one.until is None or one.until >= start) for start, stop in windows)


def _figures(
    found: StationTime | Refused, rows: Sequence[Stretch], here: Sequence[Visit], asked_for: Sequence[Visit],
    windows: Sequence[Spell], ideals: Ideals, told: bool, level: float,
) -> list[Figure]:  # fmt: skip
    if isinstance(found, Refused):
        return [refused("time", found)]
    spells = {
        name: [(one.begin, one.end) for one in rows if one.state == name] for name in (*STATES, "unknown")
    }
    why = seconds_of(rows, windows)
    figures = []
    for name in (*STATES, "unknown"):
        seconds = found.seconds[name]
        if not seconds and name != "unknown":
            continue
        reasons = "; ".join(
            f"{spent / found.total:.1%} {WHY[key]}" for key, spent in sorted(why.items(), key=lambda i: -i[1])
        )
        figures.append(
            plain(
                "not known" if name == "unknown" else name.replace("_", " "), seconds / found.total, "share",
                number=round(seconds / 3600, 3), of=round(found.total / 3600, 3), counted="hours",
                boards=boards_in(here, spells[name]),
                note=(reasons or None) if name == "unknown" else None if told else "as seen, not told",
            )
        )  # fmt: skip
    if found.operational_uptime is not None:
        figures.append(plain("uptime of operations", found.operational_uptime, "share"))
    if found.operational_utilization is not None:
        figures.append(plain("productive of operations", found.operational_utilization, "share"))
    if found.failures or found.open_failure:
        behind = boards_in(here, spells["unscheduled_down"])
        figures += [
            _between("MTBF (productive time)", found.mtbf, "h", 3600.0, behind),
            _repair(found, behind),
            _between("MCBF", found.mcbf, "visits", 1.0, behind),
        ]
    elif found.seconds["productive"]:
        least = time_between(found.seconds["productive"] / 3600, 0, level=level)
        why_not = least.reason.replace(" with", " h with") if isinstance(least, Refused) else None
        figures.append(plain("MTBF (productive time)", None, note=why_not))
    return figures + _effective(found, asked_for, ideals)


def _between(name: str, found: TimeBetween | Refused, unit: str, per: float, boards: Sequence[str]) -> Figure:
    if isinstance(found, Refused):
        return plain(name, None, note=f"cannot tell: {found.reason}")
    one = found.interval._replace(low=found.interval.low / per, high=found.interval.high / per)
    return Figure(
        name, found.value / per, unit, (span(one),), found.failures, round(found.of / per, 3),
        f"{unit}, failures", None, {}, tuple(boards),
    )  # fmt: skip


def _repair(found: StationTime, boards: Sequence[str]) -> Figure:
    note = "one is not over yet and in no mean" if found.open_failure else None
    if len(found.repairs) == 1:
        told = "one failure: no interval" + (f"; {note}" if note else "")
        return plain("MTTR", found.repairs[0], "s", of=1, counted="failures", boards=boards, note=told)
    if not found.repairs:
        return plain("MTTR", None, note=note or "cannot tell: no failure is over")
    return mean("MTTR", found.mttr, "s", "failures")._replace(boards=tuple(boards), note=note)


def _effective(found: StationTime, here: Sequence[Visit], ideals: Ideals) -> list[Figure]:
    name = f"OEE ({_STANDARDS[ideals.standard]})"
    station = here[0].station if here else ""
    cycles = sorted(v.finished - v.started for v in here if v.finished > v.started)
    best = ideals.ideal.get(station)
    if best is None and len(cycles) >= _CYCLES and len(cycles) >= 0.9 * len(here):
        best = cycles[len(cycles) // 10]
    if best is None:
        return [
            plain(
                name,
                None,
                note="cannot tell: the best cycle is not stated (--ideal), and the work is not known",
            )
        ]
    produced = len(here)
    good = produced if ideals.good is None else round(ideals.good * produced)
    planned = ideals.planned or found.total
    result: Effectiveness | Refused = (
        iso_22400(
            planned_busy=planned, production=found.seconds["productive"], run_time_per_item=best, produced=produced, good=good
        )
        if ideals.standard == "iso"
        else semi_e79(
            total=found.total, uptime=found.uptime, production=found.seconds["productive"], theoretical_per_item=best,
            produced=produced, good=good,
        )
    )  # fmt: skip
    if isinstance(result, Refused):
        return [plain(name, None, note=f"cannot tell: {result.reason}")]
    spans: tuple[Span, ...] = ()
    dark = found.seconds["unknown"]
    if dark and not ideals.planned and planned > dark:
        high = result.value * planned / (planned - dark)
        spans = (Span(result.value, high, 1.0, "not known time as planned, or as not"),)
    boards = tuple(sorted({board for visit in here for board in visit.boards}))
    note = "; ".join((f"best cycle {best:.2f} s", *result.remarks))
    whole = Figure(name, result.value, "share", spans, None, None, "", note, {}, boards)
    return [whole, *(plain(f"  {part}", value, "share") for part, value in result.parts.items())]


def _alarms(
    found: Sequence[tuple[str, Stood, Sequence[str]]], hours: float, level: float
) -> tuple[Section, Plot | None]:
    known = [(name, one) for name, one, _ in found]
    pareto: Alarms = alarm_pareto(
        [name for name, _ in known], [one.since for _, one in known],
        [None if one.until is None or one.since == 0.0 else one.until for _, one in known], hours=hours, level=level,
    )  # fmt: skip
    if isinstance(pareto.by_number, Refused):
        return Section("alarms", (refused("alarms", pareto.by_number),)), None
    long = (
        {}
        if isinstance(pareto.by_seconds, Refused)
        else {bar.category: bar.weight for bar in pareto.by_seconds.bars}
    )
    behind: dict[str, set[str]] = {}
    for name, _, boards in found:
        behind.setdefault(name, set()).update(boards)
    figures = tuple(
        plain(
            bar.category, bar.weight, number=bar.weight, of=pareto.by_number.total, counted="alarms", boards=sorted(behind[bar.category]),
            details={"cumulative": f"{bar.cumulative:.0%}", "stood, s": None if bar.category not in long else round(long[bar.category], 1)},
        )
        for bar in pareto.by_number.bars
    )  # fmt: skip
    half = sum(one.since == 0.0 for _, one, _ in found)
    open_ = sum(one.until is None for _, one, _ in found)
    notes = [f"nobody said when {half} of them began"] if half else []
    notes += [f"nobody said that {open_} of them are over"] if open_ else []
    bars = pareto.by_number.bars[:12]
    plot = Plot(
        "pareto", "alarms", tuple(bar.category for bar in bars), "alarms", tuple(bar.weight for bar in bars),
        centre=tuple(bar.cumulative for bar in bars),
    )  # fmt: skip
    return Section(
        "alarms, most frequent first", figures, "; ".join(notes).capitalize() + "." if notes else None
    ), plot


def _states_drawn(sections: Sequence[Section]) -> Plot:
    rows = [
        (section.title, next((f.value for f in section.figures if f.name == "productive"), 0.0) or 0.0)
        for section in sections
    ]
    return Plot(
        "intervals", "productive share of the time", tuple(title for title, _ in rows), "share", tuple(v for _, v in rows),
        lower=tuple(v for _, v in rows), upper=tuple(v for _, v in rows),
    )  # fmt: skip

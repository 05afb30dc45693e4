"""Where a station's time goes: the six states of SEMI E10, failures, repair, alarms, effectiveness.

States that machines told are taken as told. A station that tells none gets its states from what is seen of it: productive
while work is known to be done, unscheduled down while an alarm stands and nothing is done, standby without a board, not
known while a board is there of which nobody says when it was worked on, or while statements are missing. The answer says which of the two it is.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

from broker_bridge.analysis.effectiveness import Effectiveness, iso_22400, semi_e79
from broker_bridge.analysis.flow import StationFlow
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.station_time import (
    STATES,
    Alarms,
    StationTime,
    TimeBetween,
    alarm_pareto,
    station_time,
)
from broker_bridge.errors import UsageError
from broker_bridge.queries.columns import instant
from broker_bridge.queries.figures import mean, plain, refused, span
from broker_bridge.queries.flow import station_of
from broker_bridge.queries.flow_columns import Flow, Progress, Visit, facts_of
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer, Figure, Plot, Section

_TOLD: Final = ("station.state_changed", "station.alarm_raised", "station.alarm_cleared", "source.gap")

Spell = tuple[float, float]
Place = tuple[str, str]


class _Heard:
    """What is told of one station besides its visits."""

    def __init__(self) -> None:
        self.states: list[tuple[float, str]] = []
        self.raised: list[tuple[float, str, str]] = []
        self.cleared: list[tuple[float, str, str]] = []
        self.gaps: list[Spell] = []


def flow_time(
    record: Record,
    flow: Flow,
    asked: str,
    *,
    ideal: Mapping[str, float] | None = None,
    planned: float | None = None,
    standard: str = "iso",
    level: float = 0.95,
    progress: Progress = lambda done, of: None,
) -> Answer:
    """Time by state, reliability, effectiveness and alarms of each station.

    `ideal`: seconds a panel of a station at best, else the fastest tenth of its cycles. `planned`: hours that were planned,
    else all of the time from its first to its last visit. `standard`: iso (ISO 22400-2) or e79 (SEMI E79).
    """
    if standard not in ("iso", "e79"):
        raise UsageError(f"--oee {standard}: there are iso (ISO 22400-2) and e79 (SEMI E79)")
    heard = _heard(record, flow, progress)
    sections: list[Section] = []
    plots: list[Plot] = []
    alarms: list[tuple[str, float, float | None, str]] = []
    begin = min((visit.arrived for visit in flow.visits), default=0.0)
    end = max((visit.seen for visit in flow.visits), default=0.0)
    guessed: list[str] = []
    for line, order in flow.order.items():
        for station in order:
            said = heard[line, station]
            here = [visit for visit in flow.visits if (visit.line, visit.station) == (line, station)]
            stood = _stood(said, end)
            alarms += [(f"{station}: {code}", since, until, station) for code, since, until in stood]
            if not said.states:
                guessed.append(station)
            begins, states = _spells(said, here, stood, begin, end)
            found = station_time(begins, states, end=end, cycles=len(here), level=level)
            title = f"{line.rpartition('/')[2]} {station}"
            figures = _time(found, here, bool(said.states))
            if isinstance(found, StationTime):
                figures += _effective(
                    found,
                    here,
                    station_of(here, station, level),
                    (ideal or {}).get(station),
                    planned,
                    standard,
                )
            sections.append(Section(title, tuple(figures)))
    if alarms and end > begin:
        pareto = alarm_pareto(
            [a[0] for a in alarms], [a[1] for a in alarms], [a[2] for a in alarms], hours=(end - begin) / 3600, level=level
        )  # fmt: skip
        sections.append(_alarms(pareto))
        plots += _drawn(pareto)
    remarks = [
        "by SEMI E10's six states; only unscheduled downtime counts as failure",
        f"effectiveness by {'ISO 22400-2' if standard == 'iso' else 'SEMI E79'}; the best cycle is"
        f" {'as stated' if ideal else 'the fastest tenth of the cycles of the record, unless --ideal states it'}",
    ]
    if guessed:
        remarks.append(
            f"{', '.join(guessed)} told no states: theirs are made of visits, work and alarms, and what is not seen"
            " there (planned stops, engineering) is standby"
        )
    down = _most_down(sections)
    sentence = (
        f"{len(sections) - bool(alarms)} stations over {(end - begin) / 3600:.1f} h"
        + (f"; {down}" if down else "; no unscheduled downtime is known")
        + (f"; {len(alarms)} alarm{'' if len(alarms) == 1 else 's'}." if alarms else "; no alarms.")
    )
    return Answer(
        "time", sentence, asked, tuple(sections), tuple(plots), tuple(remarks), bool(down), flow.as_of
    )


def _heard(record: Record, flow: Flow, progress: Progress) -> dict[Place, _Heard]:
    found: dict[Place, _Heard] = defaultdict(_Heard)
    for fact in facts_of(record, _TOLD, flow.as_of, progress):
        line, data = fact.source.rpartition("/")[0], fact.data
        time = (instant(fact.time) or 0) / 1e6
        place = line, data.get("station") or ""
        match fact.type:
            case "station.state_changed":
                state = data["state"]
                found[place].states.append((time, state if state in STATES else "unknown"))
            case "station.alarm_raised" | "station.alarm_cleared":
                key = str(data.get("alarm") or data.get("code") or "")
                listed = found[place].raised if fact.type.endswith("raised") else found[place].cleared
                listed.append((time, key, str(data.get("code") or data.get("text") or "no code")))
            case _:
                start, stop = instant(data.get("start")), instant(data.get("end"))
                spell = (start or 0) / 1e6, time if stop is None else stop / 1e6
                for other in (
                    {place} if data.get("station") else {(line, s) for s in flow.order.get(line, ())}
                ):
                    found[other].gaps.append(spell)
    return found


def _stood(heard: _Heard, end: float) -> list[tuple[str, float, float | None]]:
    """Alarms with when each was cleared: code, since, until (None: it stands)."""
    found: list[tuple[str, float, float | None]] = []
    open_since: dict[str, tuple[float, str]] = {}
    steps = [(t, 1, key, code) for t, key, code in heard.raised] + [
        (t, 0, key, code) for t, key, code in heard.cleared
    ]
    for time, raised, key, code in sorted(steps):
        if raised and key not in open_since:
            open_since[key] = (time, code)
        elif not raised and key in open_since:
            since, code = open_since.pop(key)
            found.append((code, since, time))
    found += [(code, since, None) for since, code in open_since.values()]
    return [one for one in found if one[1] <= end]


def _spells(
    heard: _Heard,
    here: Sequence[Visit],
    stood: Sequence[tuple[str, float, float | None]],
    begin: float,
    end: float,
) -> tuple[list[float], list[str]]:
    """State changes from `begin` on, each state lasting until the next."""
    if heard.states:
        told = sorted(heard.states)
        before = [state for time, state in told if time <= begin]
        rows = [(begin, before[-1] if before else "unknown")]
        rows += [(time, state) for time, state in told if begin < time < end]
        return _cut(rows, heard.gaps, begin, end)
    edges = {begin}
    work = [(v.started, v.finished) for v in here if v.started == v.started and v.finished > v.started]
    stops = [(since, end if until is None else until) for _, since, until in stood]
    for spell in (*work, *stops):
        edges.update(time for time in spell if begin < time < end)
    # A board is there, and nobody says when it was worked on.
    open_ = [(v.arrived, v.seen) for v in here if v.finished - v.started != v.finished - v.started]
    for spell in open_:
        edges.update(time for time in spell if begin < time < end)
    ordered = sorted(edges)
    working, stopped, dark = (_covered(ordered, spells) for spells in (work, stops, open_))
    rows = [
        (at, "productive" if busy else "unscheduled_down" if stop else "unknown" if hidden else "standby")
        for at, busy, stop, hidden in zip(ordered, working, stopped, dark, strict=True)
    ]
    return _cut(rows, heard.gaps, begin, end)


def _covered(edges: Sequence[float], spells: Sequence[Spell]) -> list[bool]:
    """For each stretch that begins at an edge: does it lie in a spell? One sweep over both."""
    changes = sorted([(start, 1) for start, _ in spells] + [(stop, -1) for _, stop in spells])
    found, depth, at = [], 0, 0
    for edge in edges:
        while at < len(changes) and changes[at][0] <= edge:
            depth += changes[at][1]
            at += 1
        found.append(depth > 0)
    return found


def _cut(
    rows: Sequence[tuple[float, str]], gaps: Sequence[Spell], begin: float, end: float
) -> tuple[list[float], list[str]]:
    """What is said of a time in which statements are missing is not known."""
    spells = [(max(start, begin), min(stop, end)) for start, stop in gaps if stop > begin and start < end]
    edges = sorted(
        {time for time, _ in rows} | {time for spell in spells for time in spell if begin <= time < end}
    )
    missing = _covered(edges, spells)
    states: list[str] = []
    at = 0
    for edge, gone in zip(edges, missing, strict=True):
        while at + 1 < len(rows) and rows[at + 1][0] <= edge:
            at += 1
        states.append("unknown" if gone and rows[at][1] != "productive" else rows[at][1])
    return edges, states


def _time(found: StationTime | Refused, here: Sequence[Visit], told: bool) -> list[Figure]:
    if isinstance(found, Refused):
        return [refused("time", found)]
    boards = sorted({board for visit in here for board in visit.boards})
    figures = [
        plain(
            name.replace("_", " "), found.seconds[name] / found.total, "share", number=found.seconds[name] / 3600,
            of=found.total / 3600, counted="hours", note=None if told else "as seen, not told",
        )
        for name in STATES
        if found.seconds[name]
    ]  # fmt: skip
    figures.append(
        plain(
            "not known",
            1 - found.coverage,
            "share",
            number=found.seconds["unknown"] / 3600,
            of=found.total / 3600,
            counted="hours",
        )
    )
    figures += [
        plain("uptime of operations", found.operational_uptime, "share"),
        plain("productive of operations", found.operational_utilization, "share"),
        _between("MTBF (productive time)", found.mtbf, "h", 3600.0),
        mean("MTTR", found.mttr, "s", "failures", open="yes" if found.open_failure else None),
        _between("MCBF", found.mcbf, "visits", 1.0)._replace(boards=tuple(boards)),
    ]
    return figures


def _between(name: str, found: TimeBetween | Refused, unit: str, per: float) -> Figure:
    if isinstance(found, Refused):
        return refused(name, found)
    one = found.interval._replace(low=found.interval.low / per, high=found.interval.high / per)
    return Figure(name, found.value / per, unit, (span(one),), found.failures, found.of / per, "failures")


def _effective(
    found: StationTime,
    here: Sequence[Visit],
    of: StationFlow | Refused,
    ideal: float | None,
    planned: float | None,
    standard: str,
) -> list[Figure]:
    name = f"OEE ({'ISO 22400-2' if standard == 'iso' else 'SEMI E79'})"
    cycles = sorted(v.finished - v.started for v in here if v.finished > v.started)
    best = ideal if ideal is not None else (cycles[len(cycles) // 10] if len(cycles) >= 10 else None)
    if best is None or not isinstance(of, StationFlow):
        return [
            plain(name, None, note="cannot tell: the best cycle is not stated, and too few cycles are known")
        ]
    produced = len(here)
    # Whether a board was good is a question to inspections: a station that only works made all it worked on.
    good = produced
    productive = found.seconds["productive"]
    result: Effectiveness | Refused = (
        iso_22400(
            planned_busy=planned * 3600 if planned else found.total, production=productive, run_time_per_item=best,
            produced=produced, good=good,
        )
        if standard == "iso"
        else semi_e79(
            total=found.total, uptime=found.uptime, production=productive, theoretical_per_item=best, produced=produced,
            good=good,
        )
    )  # fmt: skip
    if isinstance(result, Refused):
        return [refused(name, result)]
    details: dict[str, Any] = {"best cycle, s": round(best, 3)} | {
        n: round(v, 4) for n, v in result.parts.items()
    }
    note = "; ".join(result.remarks) or "quality taken as 1: yields tell how good the boards were"
    return [plain(name, result.value, "share", note=note, details=details)]


def _alarms(found: Alarms) -> Section:
    figures: list[Figure] = []
    if not isinstance(found.by_number, Refused):
        longest = (
            {}
            if isinstance(found.by_seconds, Refused)
            else {bar.category: bar.weight for bar in found.by_seconds.bars}
        )
        figures = [
            plain(
                bar.category, bar.weight, "alarms", number=bar.weight, of=found.by_number.total, counted="alarms",
                details={"cumulative": round(bar.cumulative, 3), "seconds": longest.get(bar.category)},
            )
            for bar in found.by_number.bars
        ]  # fmt: skip
    note = f"{len(found.open)} still stand" if found.open else None
    return Section("alarms, most frequent first", tuple(figures), note)


def _drawn(found: Alarms) -> list[Plot]:
    if isinstance(found.by_number, Refused):
        return []
    bars = found.by_number.bars[:12]
    return [
        Plot("pareto", "alarms", tuple(bar.category for bar in bars), "alarms", tuple(bar.weight for bar in bars),
             centre=tuple(bar.cumulative for bar in bars))
    ]  # fmt: skip


def _most_down(sections: Sequence[Section]) -> str:
    down = [
        (figure.value or 0.0, section.title)
        for section in sections
        for figure in section.figures
        if figure.name == "unscheduled down"
    ]
    if not down:
        return ""
    share, title = max(down)
    return f"{title} was down unplanned the longest, {share:.1%} of the time"

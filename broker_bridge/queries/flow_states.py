"""The states of stations, from what they told, or from what was seen of them; what is not known says why.

A station that told states has those. Of one that told none: productive while work is known to be done, unscheduled down
while an alarm stands and nothing is done, standby while a finished board cannot leave or no board is there while the line
runs. Everything else is not known.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.flow import inside
from broker_bridge.analysis.station_time import STATES
from broker_bridge.queries.columns import instant
from broker_bridge.queries.flow_columns import Flow, Progress, Spell, Visit, facts_of
from broker_bridge.queries.record import Record

QUIET_S: Final = 900.0
"""A line in which nothing moves for so long may be at rest, planned or not; common practice, no source."""
_STOPPING: Final = ("error", "fatal")
"""Severities of alarms that stop work whatever else is said."""
WHY: Final = {
    "told": "it said so, or had said nothing yet",
    "gap": "statements are missing",
    "half": "before an alarm was over of which nobody said when it began",
    "work": "a board was there, nobody says when it was worked on",
    "change": "between two programs: nobody says what was done",
    "quiet": f"nothing moved on the line for {QUIET_S / 60:.0f} min and longer",
}
_TOLD: Final = ("station.state_changed", "station.alarm_raised", "station.alarm_cleared", "source.gap")

Place = tuple[str, str]
"""Line and station."""


class Stood(NamedTuple):
    """An alarm from when it was raised until it was over."""

    code: str
    since: float
    until: float | None
    """None: it stands, or nobody said that it is over."""
    stops: bool
    """Its severity says that work stops."""


class Told:
    """What is told of one station besides its visits."""

    def __init__(self) -> None:
        self.states: list[tuple[float, str]] = []
        self.alarms: list[Stood] = []
        self.over: list[tuple[float, str]] = []
        """Alarms that were over of which nobody said when they began."""
        self.gaps: list[Spell] = []
        self._standing: list[tuple[str, str, float, bool]] = []

    def raised(self, time: float, key: str, code: str, stops: bool) -> None:
        """An alarm begins."""
        if not any(key == other and code == same for other, same, _, _ in self._standing):
            self._standing.append((key, code, time, stops))

    def cleared(self, time: float, key: str, code: str) -> None:
        """It is over: the one of that key, else of that code."""
        same = [one for one in self._standing if key and one[0] == key] or [
            one for one in self._standing if one[1] == code and not (key and one[0])
        ]
        if not same:
            self.over.append((time, code))
            return
        self._standing.remove(same[0])
        self.alarms.append(Stood(same[0][1], same[0][2], time, same[0][3]))

    def close(self) -> None:
        """Nothing more is told."""
        self.alarms += [Stood(code, since, None, stops) for _, code, since, stops in self._standing]
        self.alarms.sort(key=lambda one: one.since)


def told_of(record: Record, flow: Flow, progress: Progress) -> Mapping[Place, Told]:
    """What stations told, as of the commit."""
    found: dict[Place, Told] = defaultdict(Told)
    steps: list[tuple[float, int, Place, str, str, bool]] = []
    for fact in facts_of(record, _TOLD, flow.as_of, progress):
        line, data = fact.source.rpartition("/")[0], fact.data
        time = (instant(fact.time) or 0) / 1e6
        place = line, str(data.get("station") or "")
        match fact.type:
            case "station.state_changed":
                state = data["state"]
                found[place].states.append((time, state if state in STATES else "unknown"))
            case "station.alarm_raised" | "station.alarm_cleared":
                begins = fact.type == "station.alarm_raised"
                stops = data.get("severity") in _STOPPING
                steps.append(
                    (time, not begins, place, str(data.get("alarm") or ""), str(data["code"]), stops)
                )
            case _:
                start, stop = instant(data.get("start")), instant(data.get("end"))
                spell = (start or 0) / 1e6, time if stop is None else stop / 1e6
                places = {place} if data.get("station") else {(line, s) for s in flow.order.get(line, ())}
                for other in places:
                    found[other].gaps.append(spell)
    for time, over, place, key, code, stops in sorted(steps):
        if over:
            found[place].cleared(time, key, code)
        else:
            found[place].raised(time, key, code, stops)
    for told in found.values():
        told.states.sort()
        told.close()
    return found


class Stretch(NamedTuple):
    """A time in one state."""

    begin: float
    end: float
    state: str
    why: str
    """Of time that is not known: a key of WHY. Else empty."""


def quiet(visits: Sequence[Visit], begin: float, end: float) -> list[Spell]:
    """Times in which nothing came or went on a line."""
    moves = {begin, end}
    for visit in visits:
        moves.update((visit.arrived, visit.seen))
    ordered = sorted(move for move in moves if begin <= move <= end)
    return [(one, other) for one, other in pairwise(ordered) if other - one >= QUIET_S]


def stretches(
    told: Told, here: Sequence[Visit], at_rest: Sequence[Spell], begin: float, end: float
) -> list[Stretch]:
    """The states of a station from `begin` to `end`, without a break. `here`: its visits in order of arrival."""
    if end <= begin:
        return []
    if told.states:
        before = [state for time, state in told.states if time <= begin]
        rows = [(begin, before[-1] if before else "unknown")]
        rows += [(time, state) for time, state in told.states if begin < time < end]
        spells: Mapping[str, Sequence[Spell]] = {"gap": told.gaps}
    else:
        rows, spells = [], _seen(told, here, at_rest, begin, end)
    edges = sorted({
        begin, *(time for time, _ in rows),
        *(time for some in spells.values() for spell in some for time in spell if begin < time < end),
    })  # fmt: skip
    covered = {name: _covered(edges, some) for name, some in spells.items()}
    found: list[Stretch] = []
    at = 0
    for place, (since, until) in enumerate(pairwise([*edges, end])):
        while at + 1 < len(rows) and rows[at + 1][0] <= since:
            at += 1
        if rows:
            state, why = ("unknown", "gap") if covered["gap"][place] else (rows[at][1], "")
            why = why or ("told" if state == "unknown" else "")
        else:
            state, why = _state({name for name in spells if covered[name][place]})
        if found and (found[-1].state, found[-1].why) == (state, why):
            found[-1] = found[-1]._replace(end=until)
        else:
            found.append(Stretch(since, until, state, why))
    return found


def _seen(
    told: Told, here: Sequence[Visit], at_rest: Sequence[Spell], begin: float, end: float
) -> dict[str, Sequence[Spell]]:
    """When what was seen of a station, by what speaks for a state."""
    work = [(v.started, v.finished) for v in here if v.finished > v.started]
    times = np.sort([t for v in here for t in (v.started, v.departed) if t == t])
    done = np.sort([t for v in here for t in (v.arrived, v.finished, v.departed) if t == t])

    def over(one: Stood) -> float:
        # Nobody said that it is over: when work is done again, it is.
        if one.until is not None:
            return one.until
        behind = times[times > one.since]
        return float(behind[0]) if len(behind) else end

    def since(over: float) -> float:
        """When it was seen last that something went on."""
        earlier = done[done < over]
        return float(earlier[-1]) if len(earlier) else begin

    stops = [(one.since, over(one), one.stops) for one in told.alarms]
    return {
        "stop": [(since, until) for since, until, hard in stops if hard],
        "work": work,
        "alarm": [(since, until) for since, until, hard in stops if not hard],
        "gap": told.gaps,
        "half": [(since(time), time) for time, _ in told.over],
        "dark": [(v.arrived, v.seen) for v in here if not v.finished >= v.started],
        "board": [(v.arrived, v.seen) for v in here],
        "change": [
            (one.seen, other.arrived) for one, other in pairwise(here)
            if one.program is not None and other.program not in (None, one.program) and other.arrived > one.seen
        ],
        "quiet": at_rest,
    }  # fmt: skip


def _state(seen: set[str]) -> tuple[str, str]:
    if "stop" in seen or ("alarm" in seen and "work" not in seen):
        return "unscheduled_down", ""
    if "work" in seen:
        return "productive", ""
    for what, why in (("gap", "gap"), ("half", "half"), ("dark", "work")):
        if what in seen:
            return "unknown", why
    if "board" not in seen:
        for why in ("change", "quiet"):
            if why in seen:
                return "unknown", why
    return "standby", ""


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


def boards_in(here: Sequence[Visit], spells: Sequence[Spell]) -> list[str]:
    """The boards that were there in any of these times, which are in order and apart."""
    if not spells or not here:
        return []
    come, gone = (
        np.asarray(times, np.float64) for times in ([v.arrived for v in here], [v.seen for v in here])
    )
    touched: NDArray[np.bool_] = inside(gone, spells) > inside(come, spells)
    return sorted(
        {board for visit, one in zip(here, touched.tolist(), strict=True) if one for board in visit.boards}
    )


def within(found: Sequence[Stretch], windows: Sequence[Spell]) -> tuple[list[float], list[str], float]:
    """Begins and states on a clock that stands still outside some windows, and its time at the end."""
    if not found or not windows:
        return [], [], 0.0
    times = inside(np.asarray([one.begin for one in found], np.float64), windows).tolist()
    total = float(inside(np.asarray([found[-1].end], np.float64), windows)[0])
    return times, [one.state for one in found], total


def seconds_of(found: Sequence[Stretch], windows: Sequence[Spell]) -> dict[str, float]:
    """Not known seconds by reason, within windows."""
    spent: dict[str, float] = defaultdict(float)
    if not windows:
        return spent
    edges = np.asarray([(one.begin, one.end) for one in found], np.float64).reshape(-1, 2)
    lasts = (inside(edges[:, 1], windows) - inside(edges[:, 0], windows)).tolist()
    for one, seconds in zip(found, lasts, strict=True):
        if one.state == "unknown" and not math.isclose(seconds, 0.0):
            spent[one.why] += seconds
    return spent

"""What held a line up: the way back from the last departure, always to what decided the moment.

A board arrived when it did because its way took so long, or because the one ahead of it had to make room; it left when
it did because it was worked on for so long, or because the next station had no room for it. Followed back to the
first arrival this is one unbroken way through the whole time: the critical path of the record. The station that has
most of it holds the line up; time that other stations take is in the shade of it. Arrivals and departures are enough.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from typing import Final, Literal

import numpy as np

from broker_bridge.analysis.columns import Floats, Numbers, floats, same_length
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

Kind = Literal["stay", "pace", "change", "way", "let in"]

_OUTLIERS: Final = 2
"""So many shortest spans are taken for wrong times: the next is the shortest there is."""
BLOCKS: Final = 10


class Step(Value):
    """A stretch of the path."""

    station: Hashable
    kind: Kind
    """stay: from arrival to departure; pace: waited until the station was through with the one ahead, from its arrival on;
    change: waited over a change of program; way: to the station; let in: nothing came to it, and it had room."""
    begin: float
    end: float
    row: int
    """The visit."""


class CriticalPath(Value):
    """The whole path, and what it says."""

    steps: tuple[Step, ...]
    """In order of time, without a break."""
    begin: float
    end: float
    seconds: Mapping[Hashable, float]
    """Of each station, changes of program apart; most first."""
    changes: Mapping[Hashable, float]
    """Seconds of each station's changes of program; most first."""
    let_in: float
    """Seconds in which the line waited for boards to come in."""
    blocks: tuple[Hashable | None, ...]
    """The time without changes cut in ten: what has most of the path in each. None: boards that were let in late."""
    pace: Mapping[tuple[Hashable, Hashable], tuple[float, int]]
    """Of stations that boards waited for, by station and program: median seconds from one arrival to the next, and of how
    many. Boards that had to stay there because there was no room ahead are not in it."""


def critical_path(
    station: Sequence[Hashable],
    arrived: Numbers,
    departed: Numbers,
    before: Sequence[int],
    ahead: Sequence[int],
    program: Sequence[Hashable],
    *,
    last: int,
    slack: float = 1.0,
) -> CriticalPath | Refused:
    """The path back from the departure of the visit `last`.

    A visit a row. `before`: the visit of the same thing before it, `ahead`: the visit before it at the same place, -1 where
    there is none. `slack`: seconds in which one
    thing follows from another. A clock that is ahead of the others does no harm; one that is behind may hide that boards
    waited there. Raises UsageError for columns that do not fit.
    """
    same_length(
        station=station, arrived=arrived, departed=departed, before=before, ahead=ahead, program=program
    )  # fmt: skip
    at, out = floats("arrived", arrived), floats("departed", departed)
    if not 0 <= last < len(at):
        raise UsageError(f"visit {last} is none of the {len(at)}")
    if np.isnan(at).any():
        raise UsageError("a visit without arrival is on no path; leave it out and say so")
    walk = _Walk(station, at, out, before, ahead, program, slack)
    steps = walk.back(last)
    if not steps or steps[0].end - steps[-1].begin <= 0:
        return Refused("the visits take no time")
    return _told(tuple(reversed(steps)), walk.paces())


class _Walk:
    def __init__(
        self, station: Sequence[Hashable], at: Floats, out: Floats, before: Sequence[int], ahead: Sequence[int],
        program: Sequence[Hashable], slack: float,
    ) -> None:  # fmt: skip
        self.station, self.before, self.ahead, self.program, self.slack = (
            station,
            before,
            ahead,
            program,
            slack,
        )
        self.at: list[float] = at.tolist()
        self.out: list[float] = out.tolist()
        came = np.where(np.asarray(before) >= 0, out[np.asarray(before, dtype=np.int64)], np.nan)
        self.waited, least = self._longer(at - came)
        spans = at - np.where(np.asarray(ahead) >= 0, at[np.asarray(ahead, dtype=np.int64)], np.nan)
        _, self.shortest = self._longer(spans)
        self.coupled = {name for name, way in least.items() if way >= -slack}
        self.after = {one: row for row, one in enumerate(before) if one >= 0}
        self.events: dict[Hashable, tuple[list[float], list[tuple[int, bool]]]] = {}
        rows: dict[Hashable, list[tuple[float, int, bool]]] = defaultdict(list)
        for row, name in enumerate(station):
            rows[name].append((self.at[row], row, True))
            if self.out[row] == self.out[row]:
                rows[name].append((self.out[row], row, False))
        for name, found in rows.items():
            found.sort()
            self.events[name] = [time for time, _, _ in found], [(row, come) for _, row, come in found]

    def _longer(self, spans: Floats) -> tuple[list[bool], dict[Hashable, float]]:
        """Which are longer than the shortest of their station that can be trusted, by more than twice the slack; and these."""
        long = np.zeros(len(spans), bool)
        shortest: dict[Hashable, float] = {}
        codes = {name: code for code, name in enumerate(dict.fromkeys(self.station))}
        names = np.asarray([codes[name] for name in self.station])
        for name, code in codes.items():
            here = np.flatnonzero((names == code) & ~np.isnan(spans))
            if len(here) > _OUTLIERS:
                least = float(np.partition(spans[here], _OUTLIERS)[_OUTLIERS])
                shortest[name] = least
                long[here] = spans[here] > least + 2 * self.slack
        return long.tolist(), shortest

    def _release(self, row: int) -> tuple[int, bool] | None:
        """What made room ahead at the moment a board left: a visit there, and whether by its arrival.

        Room is made by the board that was ahead there and goes, or by one that goes in from a full buffer.
        """
        return self._made_room(row, self.out[row])

    def _let_in_from_beyond(self, row: int) -> tuple[int, bool] | None:
        """What let a board into a station that takes in no more than there is room for behind it, an oven."""
        other = self.ahead[row]
        span = self.at[row] - self.at[other]
        if (
            self.out[other] <= self.at[row]
            or span <= self.shortest.get(self.station[row], span) + 2 * self.slack
        ):
            return None
        return self._made_room(row, self.at[row])

    def _made_room(self, row: int, moment: float) -> tuple[int, bool] | None:
        following = self.after.get(row)
        if following is None or self.station[following] not in self.coupled:
            return None
        times, what = self.events[self.station[following]]
        first, end = (bisect_left(times, moment - self.slack), bisect_right(times, moment + self.slack))
        near = [
            place for place in range(first, end)
            if self.before[what[place][0]] != row
            and (self._had_waited(what[place][0]) if what[place][1] else what[place][0] == self.ahead[following])
        ]  # fmt: skip
        return what[min(near, key=lambda place: abs(times[place] - moment))] if near else None

    def _had_waited(self, row: int) -> bool:
        """Whether a board had waited: it took the place of the one ahead of it at once, or had long been on its way."""
        other = self.ahead[row]
        return self.waited[row] or (other >= 0 and self.at[row] - self.out[other] <= 2 * self.slack)

    def _for_the_one_ahead(self, row: int) -> bool:
        """Whether a board waited until the station was through with the one ahead of it, and not for anything else."""
        own, other = self.before[row], self.ahead[row]
        if other < 0:
            return False
        if -self.slack <= self.at[row] - self.out[other] <= 2 * self.slack:
            return True
        if own < 0 or not self.waited[row]:
            return False
        came = self.out[own]
        return (
            self.at[other] >= came
            or came <= self.out[other] + 2 * self.slack <= self.at[row] + 4 * self.slack
        )

    def _blocked(self, other: int, row: int) -> bool:
        """Whether the one ahead had gone before a board came, and what is ahead of the station had made room for it."""
        return self.out[other] <= self.at[row] + 2 * self.slack and self._release(other) is not None

    def _followed(self, row: int) -> bool:
        """Whether a board came to a station because the one ahead of it was through, however it waited for that."""
        own, other = self.before[row], self.ahead[row]
        return self._for_the_one_ahead(row) or (own >= 0 and self._release(own) == (other, False))

    def paces(self) -> dict[tuple[Hashable, Hashable], tuple[float, int]]:
        found: dict[tuple[Hashable, Hashable], list[float]] = defaultdict(list)
        for row, other in enumerate(self.ahead):
            same = other >= 0 and self.program[other] == self.program[row]
            free = same and self._followed(row) and not self._blocked(other, row)
            if free and self._let_in_from_beyond(row) is None:
                found[self.station[row], self.program[row]].append(self.at[row] - self.at[other])
        return {name: (float(np.median(spans)), len(spans)) for name, spans in found.items()}

    def back(self, row: int) -> list[Step]:
        """The path, last step first."""
        steps: list[Step] = []
        arrival = self.out[row] != self.out[row]
        time = self.at[row] if arrival else self.out[row]

        def step(name: Hashable, kind: Kind, since: float) -> float:
            if since < time:
                steps.append(Step(name, kind, since, time, row))
            return min(since, time)

        for _ in range(4 * len(self.at)):
            name = self.station[row]
            if not arrival:
                made_room = self._release(row)
                if made_room is not None:
                    other, arrival = made_room
                    time = step(self.station[other], "pace", (self.at if arrival else self.out)[other])
                    row = other
                else:
                    time, arrival = step(name, "stay", self.at[row]), True
                continue
            own, other = self.before[row], self.ahead[row]
            if self._for_the_one_ahead(row):
                beyond = self._let_in_from_beyond(row)
                if beyond is not None:
                    row, arrival = beyond
                    time = step(self.station[row], "pace", (self.at if arrival else self.out)[row])
                    continue
                arrival = not self._blocked(other, row)
                time = step(name, self._kind(other, row), (self.at if arrival else self.out)[other])
                row = other
            elif own >= 0:
                arrival = self.out[own] != self.out[own]
                # The first that waited where nothing was before it waited for the set-up.
                changed = self.waited[row] and (other < 0 or self.program[other] != self.program[row])
                time = step(name, "change" if changed else "way", self.at[own] if arrival else self.out[own])
                row = own
            elif other >= 0:
                free = self.out[other]
                if free <= self.at[row]:
                    time = step(name, "let in", free)
                    arrival = not self._blocked(other, row)
                    time = step(name, self._kind(other, row), (self.at if arrival else self.out)[other])
                else:
                    time = step(name, "let in", self.at[other])
                row = other
            else:
                break
        return steps

    def _kind(self, one: int, other: int) -> Kind:
        return "pace" if self.program[one] == self.program[other] else "change"


def _told(
    steps: tuple[Step, ...], pace: Mapping[tuple[Hashable, Hashable], tuple[float, int]]
) -> CriticalPath:
    changes: dict[Hashable, float] = defaultdict(float)
    spent: list[tuple[Hashable | None, float]] = []
    for step in steps:
        if step.kind == "change":
            changes[step.station] += step.end - step.begin
        else:
            spent.append((None if step.kind == "let in" else step.station, step.end - step.begin))
    ends = np.cumsum([seconds for _, seconds in spent])
    edges = np.linspace(0.0, float(ends[-1]) if len(ends) else 0.0, BLOCKS + 1)
    table: dict[Hashable | None, Floats] = defaultdict(lambda: np.zeros(BLOCKS))
    for (owner, seconds), until in zip(spent, ends.tolist(), strict=True):
        table[owner] += np.clip(
            np.minimum(until, edges[1:]) - np.maximum(until - seconds, edges[:-1]), 0, None
        )
    owners = list(table)
    most = np.argmax(np.asarray([table[owner] for owner in owners]), axis=0).tolist() if owners else []
    seconds_of = {owner: float(spans.sum()) for owner, spans in table.items() if owner is not None}
    return CriticalPath(
        steps, steps[0].begin, steps[-1].end, _ranked(seconds_of), _ranked(changes),
        float(table[None].sum()) if None in table else 0.0, tuple(owners[place] for place in most), pace,
    )  # fmt: skip


def _ranked(seconds: Mapping[Hashable, float]) -> dict[Hashable, float]:
    return dict(sorted(seconds.items(), key=lambda item: -item[1]))

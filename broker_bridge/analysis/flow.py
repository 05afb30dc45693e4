"""Flow of boards through stations: cycle, dwell, starved, blocked, throughput, boards in process.

Times are seconds on one clock. What is not known (None) is in no number and is counted; nothing is filled in.
"""

import math
from collections.abc import Hashable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Floats, Key, Numbers, chosen, floats, named, same_length
from broker_bridge.analysis.intervals import LEVEL, Mean, Proportion, Rate, Refused, mean, proportion, rate
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST: Final = 2


class Durations(Value):
    """A column of durations, in seconds."""

    mean: Mean | Refused
    median: float | None
    p95: float | None
    """95 % are not longer (linear interpolation)."""
    longest: Key | None
    unknown: tuple[Key, ...]


def durations(values: Floats, keys: Sequence[Key], level: float) -> Durations:
    """Their summary."""
    known = ~np.isnan(values)
    seen = values[known]
    longest = chosen(keys, known)[int(seen.argmax())] if len(seen) else None
    median, p95 = np.quantile(seen, (0.5, 0.95)).tolist() if len(seen) else (None, None)
    return Durations(mean(seen, level), median, p95, longest, chosen(keys, ~known))


class StationFlow(Value):
    """One station over its own record: from the first arrival to the last departure."""

    boards: int
    window: tuple[float, float]
    cycle: Durations
    """Started to finished."""
    dwell: Durations
    """Arrived to departed."""
    busy: float
    """Share of the window with a board being worked on."""
    blocked: float
    """Share with a finished board that could not leave, and none being worked on."""
    starved: float
    """Share with no board there."""
    waiting: float
    """Share with boards there, none worked on and none finished: waiting to be started."""
    throughput: Rate | Refused
    """Boards a second. The interval takes departures for random; a steady line's is narrower."""
    coverage: Proportion | Refused
    """Visits with all four times. A visit without them looks like an empty station: below 1, starved is told too high."""
    partial: tuple[Key, ...]
    """A time is missing: in no share of the window."""


def station_flow(
    arrived: Numbers, started: Numbers, finished: Numbers, departed: Numbers,
    *, boards: Sequence[Key] | None = None, windows: Sequence[tuple[float, float]] = (), level: float = LEVEL,
) -> StationFlow | Refused:  # fmt: skip
    """Flow of one station from its visits, one a row, in any order.

    `windows`: the shares are of these times only (shifts), in order and apart from each other; else from the first
    arrival to the last departure. Refused where fewer than two visits are complete. Raises UsageError for times that run backwards.
    """
    names = ("arrived", "started", "finished", "departed")
    table = np.array(
        [floats(n, v) for n, v in zip(names, (arrived, started, finished, departed), strict=True)]
        if len({len(arrived), len(started), len(finished), len(departed)}) == 1
        else _uneven(arrived, started, finished, departed)
    )
    keys = named(boards, table.shape[1])
    for column in table.T:
        seen = column[~np.isnan(column)]
        if (np.diff(seen) < 0).any():
            raise UsageError(
                f"times of a visit run backwards: {dict(zip(names, column.tolist(), strict=True))}"
            )
    whole = ~np.isnan(table).any(axis=0)
    if whole.sum() < LEAST:
        return Refused("too few visits with all four times", int(whole.sum()), LEAST)
    a, s, f, d = table[:, whole]
    begin, end = float(a.min()), float(d.max())
    if end <= begin:
        return Refused("the visits take no time")
    parts = windows or ((begin, end),)
    a, s, f, d = (inside(column, parts) for column in (a, s, f, d))
    whole_time = float(inside(np.asarray([parts[-1][1]]), parts)[0])
    if whole_time <= 0:
        return Refused("the windows take no time")
    shares = _shares(a, s, f, d, 0.0, whole_time)
    return StationFlow(
        len(keys), (begin, end), durations(table[2] - table[1], keys, level),
        durations(table[3] - table[0], keys, level), *shares,
        rate(int(whole.sum()), end - begin, members=chosen(keys, whole), level=level),
        proportion(int(whole.sum()), len(keys), members=chosen(keys, whole), level=level), chosen(keys, ~whole),
    )  # fmt: skip


def inside(times: Floats, windows: Sequence[tuple[float, float]]) -> Floats:
    """Times as seconds that have passed within windows, which are in order and apart: what lies outside takes no time."""
    edges = np.asarray([edge for window in windows for edge in window], np.float64)
    passed = np.cumsum([edge for start, end in windows for edge in (0.0, end - start)])
    if (np.diff(edges) < 0).any():
        raise UsageError(f"windows have to be in order and apart from each other: {list(windows)}")
    return np.asarray(np.interp(times, edges, passed), np.float64)


def _uneven(arrived: Numbers, started: Numbers, finished: Numbers, departed: Numbers) -> list[Floats]:
    same_length(arrived=arrived, started=started, finished=finished, departed=departed)
    return []


def _shares(
    arrived: Floats, started: Floats, finished: Floats, departed: Floats, begin: float, end: float
) -> tuple[float, float, float, float]:
    """Busy, blocked, starved, waiting: each moment is one of them, in that order of precedence (starved: no board)."""
    n = len(arrived)
    at = np.concatenate([[begin], arrived, started, finished, departed])
    here = np.concatenate([[0], np.repeat([1, 0, 0, -1], n)])
    working = np.concatenate([[0], np.repeat([0, 1, -1, 0], n)])
    done = np.concatenate([[0], np.repeat([0, 0, 1, -1], n)])
    order = np.argsort(at, kind="stable")
    spans = np.diff(np.append(at[order], end))
    there, work, ready = (np.cumsum(step[order]) for step in (here, working, done))
    busy = work > 0
    blocked = ~busy & (ready > 0)
    starved = there <= 0
    total = end - begin
    parts = [float(spans[mask].sum()) / total for mask in (busy, blocked, starved)]
    return parts[0], parts[1], parts[2], max(0.0, 1 - sum(parts))


class LineFlow(Value):
    """Boards in process, and Little's law on the record."""

    entered: int
    left: int
    window: tuple[float, float]
    in_process: float
    """Boards in the line, averaged over the window."""
    throughput: Rate | Refused
    """Boards that left, a second."""
    time_in_line: Mean | Refused
    """Of the boards that entered and left within the window."""
    littles_law: float | None
    """in_process / (throughput * time in line): 1 where the line begins and ends empty."""
    begins_empty: bool
    ends_empty: bool
    still_inside: tuple[Key, ...]


def line_flow(
    entered: Numbers, left: Numbers, *, window: tuple[float, float] | None = None,
    boards: Sequence[Key] | None = None, level: float = LEVEL,
) -> LineFlow | Refused:  # fmt: skip
    """Flow of a whole line, one board a row; `left` None: still inside. The window defaults to the whole record.

    WIP = TH * CT holds exactly for a window in which the line begins and ends empty; otherwise boards that are cut by
    an edge make the ratio differ from 1, and the result says that they are there.
    """
    same_length(entered=entered, left=left, boards=boards)
    come, gone = floats("entered", entered), floats("left", left)
    keys = named(boards, len(come))
    if np.isnan(come).any():
        raise UsageError("a board without a time of entry is not in the line; leave it out and say so")
    if (gone < come).any():
        raise UsageError("a board left before it entered")
    if not len(come):
        return Refused("there are no boards", 0, 1)
    begin, end = window or (float(come.min()), float(np.nanmax(np.append(gone, come.max()))))
    if end <= begin:
        return Refused("the window has no length")
    out = np.where(np.isnan(gone), math.inf, gone)
    overlap = np.clip(np.minimum(out, end) - np.maximum(come, begin), 0, None)
    gone_inside = (out > begin) & (out <= end)
    whole = gone_inside & (come >= begin)
    sojourn = mean(gone[whole] - come[whole], level)
    wip = float(overlap.sum()) / (end - begin)
    number = int(gone_inside.sum())
    through = rate(number, end - begin, members=chosen(keys, gone_inside), level=level)
    # One board has a time in the line although a mean of one has no interval.
    average = float((gone[whole] - come[whole]).mean()) if whole.any() else math.nan
    law = wip * (end - begin) / (number * average) if number and average > 0 else None
    return LineFlow(
        int(((come >= begin) & (come <= end)).sum()), number, (begin, end), wip, through, sojourn, law,
        not ((come < begin) & (out > begin)).any(), not (out > end).any(),
        chosen(keys, (come <= end) & (out > end)),
    )  # fmt: skip


class Changeover(Value):
    """From the last board of one program to the first of the next."""

    before: Hashable
    after: Hashable
    finished: float
    started: float
    last: Key
    first: Key

    @property
    def seconds(self) -> float:
        """How long it took; below zero where the programs overlap."""
        return float(self.started - self.finished)


def changeovers(
    programs: Sequence[Hashable], started: Numbers, finished: Numbers, *, boards: Sequence[Key] | None = None
) -> tuple[Changeover, ...]:
    """Changes of program at one station, from its visits in any order. A visit without a program or times is left out."""
    same_length(programs=programs, started=started, finished=finished, boards=boards)
    begin, end = floats("started", started), floats("finished", finished)
    keys = named(boards, len(programs))
    rows = [
        i for i in np.argsort(begin, kind="stable").tolist()
        if programs[i] is not None and not np.isnan(begin[i]) and not np.isnan(end[i])
    ]  # fmt: skip
    return tuple(
        Changeover(programs[i], programs[j], float(end[i]), float(begin[j]), keys[i], keys[j])
        for i, j in pairwise(rows)
        if programs[i] != programs[j]
    )

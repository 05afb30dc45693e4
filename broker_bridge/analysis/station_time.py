"""Station time by the six states of SEMI E10, and what is made of it: failures, repair, alarms.

Total time = operations + non-scheduled; operations = uptime + downtime; uptime = productive + standby + engineering. Only unscheduled
downtime is a failure. Formulas of E10 [from memory]. Times are seconds; time whose state is not known is in no state.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Key, Numbers, floats, named, positive, same_length
from broker_bridge.analysis.distributions import chi_square_quantile
from broker_bridge.analysis.intervals import LEVEL, Interval, Mean, Rate, Refused, mean, rate
from broker_bridge.analysis.pareto import Pareto, pareto
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

STATES: Final = (
    "productive", "standby", "engineering", "scheduled_down", "unscheduled_down", "non_scheduled",
)  # fmt: skip
"""The six of E10, as the schema spells them; anything else has to be `unknown`."""


class TimeBetween(Value):
    """Mean amount (time, cycles) between failures."""

    value: float
    failures: int
    of: float
    """The amount."""
    interval: Interval
    """Exact where failures fall at random in time; its low end is all that no failure can tell."""
    members: tuple[Key, ...]


def time_between(
    amount: float, failures: int, *, members: Sequence[Key] = (), level: float = LEVEL
) -> TimeBetween | Refused:
    """MTBF, MCBF: an amount over its failures. Refused without a failure; the reason tells the low bound."""
    if amount <= 0:
        return Refused("no time or cycles to divide", 0, 1)
    tail = (1 - level) / 2
    low = 2 * amount / chi_square_quantile(1 - tail, 2 * failures + 2)
    if failures == 0:
        return Refused(f"no failure yet: at least {low:.3g} with {level:.1%} certainty, no mean", 0, 1)
    high = 2 * amount / chi_square_quantile(tail, 2 * failures)
    return TimeBetween(
        amount / failures, failures, amount, Interval(low, high, level, "chi-square"), tuple(members)
    )


class StationTime(Value):
    """The states' time and E10's numbers; None where the time to divide by is zero."""

    seconds: Mapping[str, float]
    """The six states, and unknown."""
    total: float
    coverage: float
    """Share of the total whose state is known."""
    operations: float
    uptime: float
    downtime: float
    operational_uptime: float | None
    """Uptime over operations."""
    operational_utilization: float | None
    """Productive over operations."""
    total_utilization: float | None
    """Productive over total; unknown time is in the total."""
    mtbf: TimeBetween | Refused
    """MTBFp: productive time between failures."""
    mttr: Mean | Refused
    """Mean duration of the failures that are over."""
    mcbf: TimeBetween | Refused
    """Cycles between failures."""
    failures: tuple[Key, ...]
    """Stretches of unscheduled downtime that follow another state; keys of their first row. One that the record begins
    with is none: when it began is not known."""
    repairs: tuple[float, ...]
    """Seconds of those that are over."""
    open_failure: bool
    """The last failure had not ended: it has no repair time."""


def station_time(
    begins: Numbers,
    states: Sequence[str],
    *,
    end: float,
    cycles: int | None = None,
    keys: Sequence[Key] | None = None,
    level: float = LEVEL,
) -> StationTime | Refused:
    """Time in states from state changes in order of time, each state lasting until the next change or `end`.

    Raises UsageError for a state that is none of the six nor unknown, and for times out of order.
    """
    same_length(begins=begins, states=states, keys=keys)
    at = floats("begins", begins)
    rows = named(keys, len(at))
    strange = sorted(set(states) - {*STATES, "unknown"})
    if strange:
        raise UsageError(f"no states of SEMI E10: {', '.join(strange)}; they are {', '.join(STATES)}")
    if not len(at):
        return Refused("there are no states", 0, 1)
    spans = np.diff(np.append(at, end))
    if np.isnan(at).any() or (spans < 0).any():
        raise UsageError("state changes have to be in order of time and before the end")
    failures: list[Key] = []
    repair: list[float] = []
    for row, (state, span) in enumerate(zip(states, spans.tolist(), strict=True)):
        if state == "unscheduled_down":
            if row and states[row - 1] != state:
                failures.append(rows[row])
                repair.append(0.0)
            if repair:
                repair[-1] += span
    still = bool(failures) and states[-1] == "unscheduled_down"
    seconds = {name: float(spans[[state == name for state in states]].sum()) for name in (*STATES, "unknown")}
    return _of(seconds, failures, repair[:-1] if still else repair, still, cycles, level)


def time_of_states(
    seconds: Mapping[str, float], *, failures: int, repair: Sequence[float] = (), cycles: int | None = None,
    level: float = LEVEL,
) -> StationTime | Refused:  # fmt: skip
    """The same from times that are added up already."""
    strange = sorted(set(seconds) - {*STATES, "unknown"})
    if strange or any(value < 0 for value in seconds.values()):
        raise UsageError(f"states have to be of SEMI E10 with zero or more seconds: {dict(seconds)}")
    whole = {name: float(seconds.get(name, 0.0)) for name in (*STATES, "unknown")}
    return _of(whole, list(range(failures)), list(repair), False, cycles, level)


def _of(
    seconds: Mapping[str, float], failures: Sequence[Key], repair: Sequence[float], still: bool,
    cycles: int | None, level: float,
) -> StationTime | Refused:  # fmt: skip
    total = sum(seconds.values())
    if total <= 0:
        return Refused("the states take no time")
    productive = seconds["productive"]
    uptime = productive + seconds["standby"] + seconds["engineering"]
    downtime = seconds["scheduled_down"] + seconds["unscheduled_down"]
    operations = uptime + downtime
    between: TimeBetween | Refused = Refused("cycles are not stated")
    if cycles is not None:
        between = time_between(cycles, len(failures), members=failures, level=level)
    return StationTime(
        seconds, total, 1 - seconds["unknown"] / total, operations, uptime, downtime,
        uptime / operations if operations else None, productive / operations if operations else None,
        productive / total, time_between(productive, len(failures), members=failures, level=level),
        mean(np.asarray(repair, dtype=np.float64), level), between, tuple(failures),
        tuple(repair), still,
    )  # fmt: skip


class Alarms(Value):
    """Alarms by how often, and by how long."""

    by_number: Pareto | Refused
    by_seconds: Pareto | Refused
    """Of those that are cleared."""
    per_hour: Rate | Refused
    open: tuple[Key, ...]
    """Raised, not cleared."""


def alarm_pareto(
    codes: Sequence[str],
    raised: Numbers,
    cleared: Numbers,
    *,
    hours: float,
    keys: Sequence[Key] | None = None,
    level: float = LEVEL,
) -> Alarms:
    """Alarm Pareto, one alarm a row; `cleared` None: not cleared. `hours`: the time they were recorded in."""
    same_length(codes=codes, raised=raised, cleared=cleared, keys=keys)
    rows = named(keys, len(codes))
    lasted = floats("cleared", cleared) - floats("raised", raised)
    if (lasted < 0).any():
        raise UsageError("an alarm was cleared before it was raised")
    over = [i for i in range(len(rows)) if not np.isnan(lasted[i])]
    return Alarms(
        pareto(codes, keys=rows, level=level),
        pareto([codes[i] for i in over], keys=[rows[i] for i in over], weights=lasted[over]),
        rate(len(rows), positive("hours", hours), members=rows, level=level),
        tuple(rows[i] for i in range(len(rows)) if np.isnan(lasted[i])),
    )

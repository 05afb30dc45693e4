"""Overall equipment effectiveness by ISO 22400-2 or SEMI E79: two standards, two denominators; the result says which.

ISO 22400-2 divides by planned busy time, E79 by total time [E79 from memory]. All times in one unit.
"""

from collections.abc import Sequence

from broker_bridge.analysis.intervals import LEVEL, Proportion, Refused, proportion
from broker_bridge.analysis.pareto import Pareto, pareto
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class Effectiveness(Value):
    """OEE and its factors. Factors of the standard's own names stand in `parts`."""

    standard: str
    value: float
    parts: dict[str, float]
    quality: Proportion | Refused
    """Good of produced: the only part that counts pieces, and so has an interval."""
    remarks: tuple[str, ...]


def iso_22400(
    *, planned_busy: float, production: float, run_time_per_item: float, produced: int, good: int,
    level: float = LEVEL,
) -> Effectiveness | Refused:  # fmt: skip
    """ISO 22400-2: availability (APT/PBT) * effectiveness (PRI * PQ / APT) * quality ratio (GQ/PQ)."""
    _check(produced, good, planned_busy, production, run_time_per_item)
    if not (planned_busy and production and produced):
        return Refused("no planned time, no production time or nothing produced", produced, 1)
    parts = {
        "availability": production / planned_busy,
        "effectiveness": run_time_per_item * produced / production,
        "quality ratio": good / produced,
    }
    remarks = []
    if parts["effectiveness"] > 1:
        remarks.append(
            "effectiveness is above 1: the run time per item is stated too long, or times are wrong"
        )
    if production > planned_busy:
        remarks.append(
            "production is longer than planned busy time: a time is wrong, or work was not planned"
        )
    value = parts["availability"] * parts["effectiveness"] * parts["quality ratio"]
    return Effectiveness("ISO 22400-2", value, parts, proportion(good, produced, level=level), tuple(remarks))


def semi_e79(
    *, total: float, uptime: float, production: float, theoretical_per_item: float, produced: int, good: int,
    level: float = LEVEL,
) -> Effectiveness | Refused:  # fmt: skip
    """SEMI E79: availability efficiency * operational efficiency * rate efficiency * quality efficiency.

    Comes to theoretical time for good units over total time.
    """
    _check(produced, good, total, uptime, production, theoretical_per_item)
    if not (total and uptime and production and produced):
        return Refused("no time, or nothing produced", produced, 1)
    if not production <= uptime <= total:
        raise UsageError(f"production {production}, uptime {uptime}, total {total} have to rise")
    parts = {
        "availability efficiency": uptime / total,
        "operational efficiency": production / uptime,
        "rate efficiency": theoretical_per_item * produced / production,
        "quality efficiency": good / produced,
    }
    faster = ("rate efficiency is above 1: the theoretical time is stated too long",)
    value = theoretical_per_item * good / total
    return Effectiveness(
        "SEMI E79", value, parts, proportion(good, produced, level=level),
        faster if parts["rate efficiency"] > 1 else (),
    )  # fmt: skip


def _check(produced: int, good: int, *times: float) -> None:
    if not 0 <= good <= produced:
        raise UsageError(f"{good} good of {produced} produced")
    if min(times) < 0:
        raise UsageError(f"a time is below zero: {times}")


class Station(Value):
    """One station's part of a line's effectiveness."""

    planned: float
    ideal_cycle: float
    good: int


def line_effectiveness(stations: Sequence[Station]) -> float | Refused:
    """Good pieces' ideal time over planned time, all stations together: a mean of OEEs would weigh short runs too much."""
    planned = sum(station.planned for station in stations)
    if planned <= 0:
        return Refused("no planned time", 0, 1)
    return float(sum(station.good * station.ideal_cycle for station in stations) / planned)


def losses(
    *, planned: float, downtime: float, setup: float, ideal_cycle: float, produced: int, rejected: int,
    rejected_at_start: int,
) -> Pareto | Refused:  # fmt: skip
    """Time lost by kind, as a Pareto: `setup` is part of downtime, rejects at start-up part of all rejects."""
    if not (0 <= setup <= downtime <= planned and 0 <= rejected_at_start <= rejected <= produced):
        raise UsageError(
            "setup has to be within downtime within planned time; rejects within what was produced"
        )
    slow = planned - downtime - ideal_cycle * produced
    if slow < 0:
        return Refused("more was produced than the ideal cycle allows: it is stated too long")
    kinds = {
        "breakdowns": downtime - setup,
        "setup and adjustment": setup,
        "minor stops and reduced speed": slow,
        "process defects": (rejected - rejected_at_start) * ideal_cycle,
        "start-up rejects": rejected_at_start * ideal_cycle,
    }
    return pareto(list(kinds), weights=list(kinds.values()))

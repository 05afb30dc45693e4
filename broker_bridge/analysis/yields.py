"""Yields: the share of boards or panels that were right, and at the first attempt.

No row is not a pass: only the outcome `passed` is one, only `passed` and `failed` are a denominator. What was skipped,
bypassed, aborted or not inspected is listed apart, and the coverage stands beside the yield.
"""

import math
from collections.abc import Mapping, Sequence

from broker_bridge.analysis.columns import Key, same_length
from broker_bridge.analysis.distributions import two_sided_z
from broker_bridge.analysis.intervals import LEVEL, Interval, Proportion, Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class Yield(Value):
    """A yield, and what it leaves out."""

    share: Proportion | Refused
    """Members: the good ones."""
    failed: tuple[Key, ...]
    coverage: Proportion | Refused
    """Those with an outcome (passed or failed, and not both), of all handed in."""
    without_outcome: tuple[Key, ...]
    """Skipped, bypassed, aborted, not inspected, unknown, or no first attempt on record: in no denominator."""
    contradicting: tuple[Key, ...]
    """Passed and failed are both stated for the same attempt: in no denominator."""
    open_reviews: tuple[Key, ...]
    """Counted as the machine judged; a review may still change them."""


def first_pass(
    boards: Sequence[Key],
    attempts: Sequence[int | None],
    outcomes: Sequence[str],
    *,
    open_reviews: Sequence[bool] | None = None,
    panels: Sequence[Key] | None = None,
    level: float = LEVEL,
) -> Yield:
    """First-pass yield from inspections or tests, one a row: what attempt 1 said.

    A row without an attempt number is a first attempt only where it is the board's only row. With `panels`, panels are
    counted instead of boards: good when every board with rows passed, failed when one failed.
    """
    same_length(boards=boards, attempts=attempts, outcomes=outcomes, open_reviews=open_reviews, panels=panels)
    rows: dict[Key, list[int]] = {}
    for row, board in enumerate(boards):
        rows.setdefault(board, []).append(row)
    said: dict[Key, set[str]] = {}
    waiting: dict[Key, None] = {}
    for board, mine in rows.items():
        first = [row for row in mine if attempts[row] == 1 or (attempts[row] is None and len(mine) == 1)]
        for row in first or mine[:1]:
            unit = board if panels is None else panels[row]
            outcome = outcomes[row] if first and outcomes[row] in ("passed", "failed") else "none"
            said.setdefault(unit, set()).add(outcome)
            if open_reviews is not None and first and open_reviews[row]:
                waiting[unit] = None
        if panels is None and said[board] >= {"passed", "failed"}:
            said[board] = {"both"}
        elif panels is None and len(said[board]) > 1:
            said[board].discard("none")  # a second witness that does not tell is no contradiction
        elif panels is not None:
            _check_panel(board, mine, panels)
            if {outcomes[row] for row in first} >= {"passed", "failed"}:
                said[panels[mine[0]]].add("both")
    failed = tuple(u for u, s in said.items() if "failed" in s and "both" not in s)
    good = tuple(u for u, s in said.items() if s == {"passed"})
    both = tuple(u for u, s in said.items() if "both" in s)
    silent = tuple(u for u, s in said.items() if "none" in s and not s & {"failed", "both"})
    judged = len(good) + len(failed)
    return Yield(
        share=proportion(len(good), judged, members=good, level=level),
        failed=failed,
        coverage=proportion(judged, len(said), members=good + failed, level=level),
        without_outcome=silent,
        contradicting=both,
        open_reviews=tuple(waiting),
    )


def _check_panel(board: Key, rows: Sequence[int], panels: Sequence[Key]) -> None:
    found = {panels[row] for row in rows}
    if len(found) > 1:
        raise UsageError(f"board {board!r} is said to be in several panels: {sorted(map(str, found))}")


class RolledYield(Value):
    """The chance to pass all steps at the first attempt."""

    value: float
    interval: Interval
    normalized: float
    """The yield that each of the steps would need to give the same: value ** (1 / steps)."""
    steps: Mapping[str, Proportion]


def rolled_throughput(steps: Mapping[str, tuple[int, int]], level: float = LEVEL) -> RolledYield | Refused:
    """Product of the steps' first-pass yields, from right-first-time and units in.

    Takes the steps to be independent. The interval adds the steps' variances on the log scale; it is refused with
    the yield where a step has nothing right or nothing in, because then there is no such interval.
    """
    shares: dict[str, Proportion] = {}
    for name, (right, units) in steps.items():
        share = proportion(right, units, level=level)
        if isinstance(share, Refused) or right == 0:
            return Refused(f"step {name} has {right} right of {units}: no product can be told", right, 1)
        shares[name] = share
    if not shares:
        return Refused("no steps", 0, 1)
    value = math.prod(share.value for share in shares.values())
    # A step without a failure has no variance by that formula; one half failure stands in.
    parts = (
        max(share.of - share.number, 0.5) / (share.of * max(share.number, 0.5)) for share in shares.values()
    )
    half = two_sided_z(level) * math.sqrt(sum(parts))
    interval = Interval(value * math.exp(-half), min(1.0, value * math.exp(half)), level, "delta, log scale")
    return RolledYield(value, interval, value ** (1 / len(shares)), shares)


def throughput_yield(defects_per_unit: float) -> float:
    """Share of units without a defect where defects fall at random (Poisson): exp(-DPU)."""
    if defects_per_unit < 0:
        raise UsageError(f"defects per unit cannot be {defects_per_unit}")
    return math.exp(-defects_per_unit)

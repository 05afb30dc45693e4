"""Yields: the share of boards or panels that were right, and at the first attempt.

No row is not a pass: only the outcome `passed` is one, only `passed` and `failed` are a denominator. What was skipped,
bypassed, aborted or not inspected is listed apart, and the coverage stands beside the yield.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import Ints, Keys, Mask, Members, at_rows, joined, numbered, same_length
from broker_bridge.analysis.distributions import two_sided_z
from broker_bridge.analysis.intervals import LEVEL, Interval, Proportion, Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class Yield(Value):
    """A yield, and what it leaves out."""

    share: Proportion | Refused
    """Members: the good ones."""
    failed: Members
    coverage: Proportion | Refused
    """Those with an outcome (passed or failed, and not both), of all handed in."""
    without_outcome: Members
    """Skipped, bypassed, aborted, not inspected, unknown, or no first attempt on record: in no denominator."""
    contradicting: Members
    """Passed and failed are both stated for the same attempt: in no denominator."""
    open_reviews: Members
    """Counted as the machine judged; a review may still change them."""


PASSED: Final = 1
FAILED: Final = 2
"""Outcomes as numbers; any other number is no result."""
_RESULTS: Final[Mapping[str, int]] = {"passed": PASSED, "failed": FAILED}


def first_pass(
    boards: Keys,
    attempts: Sequence[int | None] | NDArray[Any],
    outcomes: Sequence[str] | NDArray[Any],
    *,
    open_reviews: Sequence[bool] | Mask | None = None,
    panels: Keys | None = None,
    level: float = LEVEL,
) -> Yield:
    """First-pass yield from inspections or tests, one a row: what attempt 1 said.

    A row without an attempt number is a first attempt only where it is the board's only row. Rows of one attempt are its
    witnesses: one that tells no result takes none away from a board. With `panels`, panels are counted instead of
    boards: good when every board with rows passed, failed when one failed.

    In arrays: boards and panels by integers, attempts with a number below zero where none is stated, outcomes as PASSED,
    FAILED or another number. Members are in order of their first rows.
    """
    keys = boards if panels is None else panels
    begin, found = _judged(boards, attempts, outcomes, open_reviews, panels)
    return _told(level, *(at_rows(keys, begin[mask]) for mask in found))


def first_pass_by(
    groups: Ints,
    boards: Ints,
    attempts: Ints,
    outcomes: NDArray[Any],
    *,
    open_reviews: Mask | None = None,
    level: float = LEVEL,
) -> list[Yield]:
    """First-pass yield of boards, of each group of rows by itself: what first_pass says of each, for thousands of groups.

    `groups`: the number of each row's group, from 0, none without rows. A board counts in every group it has rows in.
    """
    same_length(groups=groups, boards=boards)
    low, high = (int(boards.min()), int(boards.max())) if len(boards) else (0, 0)
    begin, found = _judged(groups * (high - low + 1) + (boards - low), attempts, outcomes, open_reviews, None)
    count = int(groups.max(initial=-1)) + 1
    members = [_apart(boards, groups, np.sort(begin[mask]), count) for mask in found]
    return [_told(level, *own) for own in zip(*members, strict=True)]


def _apart(boards: Ints, groups: Ints, rows: Ints, count: int) -> list[Ints]:
    """The boards of these rows by group."""
    group = groups[rows]
    own = boards[rows[np.argsort(group, kind="stable")]]
    ends = np.cumsum(np.bincount(group, minlength=count)).tolist()
    return [own[start:end] for start, end in zip([0, *ends], ends, strict=False)]


def _judged(
    boards: Keys,
    attempts: Sequence[int | None] | NDArray[Any],
    outcomes: Sequence[str] | NDArray[Any],
    open_reviews: Sequence[bool] | Mask | None,
    panels: Keys | None,
) -> tuple[Ints, tuple[Mask, Mask, Mask, Mask, Mask]]:
    """Of each unit (board or panel) its first row, and whether it is good, failed, silent, contradicting (one of these), waiting."""
    same_length(boards=boards, attempts=attempts, outcomes=outcomes, open_reviews=open_reviews, panels=panels)
    attempt, result = _attempts(attempts), _results(outcomes)
    board, begin = numbered(boards)
    first = (attempt == 1) | ((attempt < 0) & (np.bincount(board, minlength=len(begin)) == 1)[board])
    passed, failed, other = (
        _any(board[first & of], len(begin))
        for of in (result == PASSED, result == FAILED, (result != PASSED) & (result != FAILED))
    )
    both = passed & failed
    other |= ~_any(board[first], len(begin))
    waiting = np.zeros(len(begin), bool)
    if open_reviews is not None:
        waiting = _any(board[first & np.asarray(open_reviews, bool)], len(begin))
    other &= ~passed & ~failed  # a second witness that does not tell is no contradiction
    if panels is not None:
        panel, start = numbered(panels)
        _check_panels(boards, panels, panel, begin[board])
        of_board, begin = panel[begin], start
        passed, failed, other, both, waiting = (
            _any(of_board[mask], len(begin)) for mask in (passed, failed, other, both, waiting)
        )
    return begin, (passed & ~failed & ~other, failed & ~both, other & ~failed, both, waiting)


def _told(level: float, *members: Members) -> Yield:
    right, wrong, silent, both, waiting = members
    judged = len(right) + len(wrong)
    return Yield(
        proportion(len(right), judged, members=right, level=level),
        wrong,
        proportion(judged, judged + len(silent) + len(both), members=joined(right, wrong), level=level),
        silent,
        both,
        waiting,
    )


def _attempts(stated: Sequence[int | None] | NDArray[Any]) -> NDArray[Any]:
    if isinstance(stated, np.ndarray):
        return stated
    return np.fromiter((-1 if number is None else number for number in stated), np.int64, len(stated))


def _results(outcomes: Sequence[str] | NDArray[Any]) -> NDArray[Any]:
    if isinstance(outcomes, np.ndarray):
        return outcomes
    return np.fromiter((_RESULTS.get(text, 0) for text in outcomes), np.int64, len(outcomes))


def _any(numbers: Ints, count: int) -> Mask:
    """Of each number whether it is among these."""
    found = np.zeros(count, bool)
    found[numbers] = True
    return found


def _check_panels(boards: Keys, panels: Keys, panel: Ints, begin: Ints) -> None:
    """Raises UsageError where a board has rows of several panels. `begin`: of each row the first of its board."""
    strange = np.flatnonzero(panel != panel[begin])
    if len(strange):
        row = int(strange[0])
        found = sorted(str(panels[place]) for place in (row, int(begin[row])))
        raise UsageError(f"board {boards[row]!r} is said to be in several panels: {found}")


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

"""Yields against published examples, and the traps of real lines."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.analysis.intervals import Proportion, Refused
from broker_bridge.analysis.yields import (
    FAILED,
    PASSED,
    RolledYield,
    Yield,
    first_pass,
    first_pass_by,
    rolled_throughput,
    throughput_yield,
)
from broker_bridge.errors import UsageError

OUTCOMES = ["passed", "failed", "aborted", "skipped", "bypassed", "not inspected", "unknown"]


@pytest.mark.parametrize(
    ("dpu", "expected", "digits"),
    [
        (0.10, 0.904837, 6), (0.05, 0.951229, 6), (0.008, 0.992032, 6),  # iSixSigma, M. Harry 2004 (.904834 is a typo)
        (0.14, 0.8694, 4), (0.004125, 0.99588, 5), (1, 0.367879, 6),
    ],
)  # fmt: skip
def test_throughput_yield(dpu: float, expected: float, digits: int) -> None:
    assert round(throughput_yield(dpu), digits) == expected


def test_poisson_500_units() -> None:
    """iSixSigma: DPU 1, 500 units: 184 without a defect."""
    assert round(500 * throughput_yield(1)) == 184


def test_rolled_throughput_of_five_steps() -> None:
    """A public question; the answer printed there (.582) took .80 for one step."""
    failed = {"a": (75, 850), "b": (72, 1202), "c": (83, 943), "d": (70, 894), "e": (88, 1200)}
    found = rolled_throughput({name: (units - bad, units) for name, (bad, units) in failed.items()})
    assert isinstance(found, RolledYield)
    assert [round(s.value, 6) for s in found.steps.values()] == [
        0.911765, 0.940100, 0.911983, 0.921700, 0.926667,
    ]  # fmt: skip
    assert round(found.value, 6) == 0.667662
    assert found.normalized == pytest.approx(0.667662**0.2, abs=1e-6)
    assert found.interval.low < found.value < found.interval.high


def test_rolled_of_throughput_yields() -> None:
    """RTY .853850 = exp(-.158)."""
    assert round(math.prod(map(throughput_yield, (0.10, 0.05, 0.008))), 6) == 0.853850


def test_rolled_interval_covers() -> None:
    generator = np.random.default_rng(5)
    truth, inside = 0.97 * 0.9 * 0.99, 0
    for _ in range(300):
        steps = {str(y): (int(generator.binomial(400, y)), 400) for y in (0.97, 0.9, 0.99)}
        found = rolled_throughput(steps)
        assert isinstance(found, RolledYield)
        inside += found.interval.low <= truth <= found.interval.high
    assert inside >= 0.92 * 300


def test_no_row_is_not_a_pass() -> None:
    found = first_pass(range(7), [1] * 7, OUTCOMES)
    assert isinstance(found.share, Proportion)
    assert (found.share.number, found.share.of) == (1, 2)
    assert found.share.members == (0,)
    assert found.failed == (1,)
    assert found.without_outcome == (2, 3, 4, 5, 6)
    assert isinstance(found.coverage, Proportion)
    assert (found.coverage.number, found.coverage.of) == (2, 7)


def test_pass_on_retest_is_no_first_pass() -> None:
    found = first_pass(["a", "a", "b"], [1, 2, 1], ["failed", "passed", "passed"])
    assert found.share.members == ("b",)
    assert found.failed == ("a",)


def test_attempts_that_are_not_stated() -> None:
    found = first_pass(["a", "b", "b", "c"], [None, None, None, 2], ["passed", "failed", "passed", "passed"])
    assert found.share.members == ("a",)
    assert found.without_outcome == ("b", "c"), (
        "which was the first cannot be told; only a second is on record"
    )


def test_two_witnesses() -> None:
    said = first_pass(["a", "a", "b", "b"], [1] * 4, ["passed", "failed", "passed", "unknown"])
    assert said.contradicting == ("a",)
    assert said.share.members == ("b",)
    in_panels = first_pass(
        ["a", "a", "b", "b", "c"],
        [1] * 5,
        ["passed", "failed", "passed", "unknown", "unknown"],
        panels=list("AABBC"),
    )
    assert in_panels.contradicting == ("A",)
    assert in_panels.share.members == ("B",)
    assert in_panels.without_outcome == ("C",)


def test_panels() -> None:
    found = first_pass(
        ["a1", "a2", "b1", "b2", "c1", "c2", "d1"],
        [1] * 7,
        ["passed", "passed", "passed", "failed", "passed", "skipped", "passed"],
        panels=["A", "A", "B", "B", "C", "C", "D"],
        open_reviews=[False, True, False, False, False, False, False],
    )
    assert found.share.members == ("A", "D")
    assert found.failed == ("B",)
    assert found.without_outcome == ("C",)
    assert found.open_reviews == ("A",)
    both = first_pass(["a", "a"], [1, 1], ["passed", "failed"], panels=["P", "P"])
    assert both.contradicting == ("P",)


ROWS = st.tuples(st.integers(0, 5), st.sampled_from([None, 1, 2]), st.sampled_from(OUTCOMES))


@given(st.lists(ROWS, max_size=25))
def test_every_board_is_in_one_place(rows) -> None:
    boards, attempts, outcomes = zip(*rows, strict=True) if rows else ((), (), ())
    found = first_pass(boards, attempts, outcomes)
    good = () if isinstance(found.share, Refused) else found.share.members
    told = [*good, *found.failed, *found.without_outcome, *found.contradicting]
    assert sorted(told) == sorted(set(boards))


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(rolled_throughput({}), Refused)
    assert isinstance(rolled_throughput({"a": (0, 5)}), Refused)
    assert isinstance(first_pass([], [], []).share, Refused)
    for call in (
        lambda: first_pass(["a"], [1], []),
        lambda: throughput_yield(-1),
        lambda: first_pass(["a", "a"], [1, 2], ["passed", "passed"], panels=["P", "Q"]),
    ):
        with pytest.raises(UsageError):
            call()


# -- arrays of numbers, and the definition in plain words


MANY = st.lists(
    st.tuples(
        st.integers(0, 7), st.sampled_from([None, 1, 1, 1, 2]), st.sampled_from(OUTCOMES), st.booleans()
    ),
    max_size=30,
)
PANEL_OF = [40, 40, 40, 41, 41, 90_000, 0, 3]
"""Numbers far apart, as a record's are."""


def plainly(rows, panels: bool) -> dict[str, list[int]]:
    """The definition, board by board: which are good, failed, silent, contradicting and waiting, in no order."""
    told: dict[int, list[set[str]]] = {}
    waiting = set()
    for board in {row[0] for row in rows}:
        mine = [row for row in rows if row[0] == board]
        first = [row for row in mine if row[1] == 1 or (row[1] is None and len(mine) == 1)]
        said = {outcome if outcome in ("passed", "failed") else "silent" for _, _, outcome, _ in first} or {
            "silent"
        }
        unit = PANEL_OF[board] if panels else board
        told.setdefault(unit, []).append(said)
        waiting |= {unit for row in first if row[3]}
    found = {"good": [], "failed": [], "silent": [], "both": [], "waiting": sorted(waiting)}
    for unit, boards in told.items():
        if any(said >= {"passed", "failed"} for said in boards):
            kind = "both"
        elif any("failed" in said for said in boards):
            kind = "failed"
        elif all("passed" in said for said in boards):
            kind = "good"
        else:
            kind = "silent"
        found[kind].append(unit)
    return {kind: sorted(units) for kind, units in found.items()}


def as_arrays(rows) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The same as numbers."""
    number = {"passed": PASSED, "failed": FAILED}
    return (
        np.array([row[0] for row in rows], np.int64),
        np.array([-1 if row[1] is None else row[1] for row in rows], np.int64),
        np.array([number.get(row[2], 0) for row in rows], np.int64),
        np.array([row[3] for row in rows], bool),
    )


def told_by(found: Yield) -> dict[str, list[int]]:
    good = [] if isinstance(found.share, Refused) else found.share.members
    named = (found.failed, found.without_outcome, found.contradicting, found.open_reviews)
    return {
        kind: sorted(int(unit) for unit in units)
        for kind, units in zip(("good", "failed", "silent", "both", "waiting"), (good, *named), strict=True)
    }


@given(MANY, st.booleans())
def test_boards_and_panels_are_told_as_they_are_defined(rows, panels: bool) -> None:
    boards, attempts, outcomes, waits = as_arrays(rows)
    in_panels = np.array(PANEL_OF)[boards] if panels else None
    numbers = first_pass(boards, attempts, outcomes, open_reviews=waits, panels=in_panels)
    listed = first_pass(
        [row[0] for row in rows], [row[1] for row in rows], [row[2] for row in rows],
        open_reviews=[row[3] for row in rows], panels=[PANEL_OF[row[0]] for row in rows] if panels else None,
    )  # fmt: skip
    assert told_by(numbers) == told_by(listed) == plainly(rows, panels)
    good, failed = (plainly(rows, panels)[kind] for kind in ("good", "failed"))
    if good or failed:
        assert (numbers.share.number, numbers.share.of) == (len(good), len(good) + len(failed))
        assert numbers.share.wilson == listed.share.wilson
        assert numbers.coverage.of == sum(
            len(plainly(rows, panels)[kind]) for kind in ("good", "failed", "silent", "both")
        )


@given(MANY, st.data())
def test_each_of_many_groups_is_told_as_if_it_were_alone(rows, data: st.DataObject) -> None:
    group = np.array([data.draw(st.integers(0, 2)) for _ in rows], np.int64)
    group = np.unique(group, return_inverse=True)[1]
    boards, attempts, outcomes, waits = as_arrays(rows)
    found = first_pass_by(group, boards, attempts, outcomes, open_reviews=waits)
    assert len(found) == len(set(group.tolist()))
    for number, one in enumerate(found):
        mine = group == number
        alone = first_pass(boards[mine], attempts[mine], outcomes[mine], open_reviews=waits[mine])
        assert told_by(one) == told_by(alone)
        assert (one.coverage.number, one.coverage.of) == (alone.coverage.number, alone.coverage.of)

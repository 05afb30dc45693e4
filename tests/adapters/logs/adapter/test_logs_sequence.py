"""Numbers in file names: what is missing is told once, late enough, and never invented."""

from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.logs.adapter.sequence import Numbers


def told(numbers: Numbers, now: float) -> list[tuple[int, int]]:
    return [(missing.first, missing.last) for missing in numbers.overdue(now)]


def met(numbers: Numbers, *files: int, now: float = 0.0) -> None:
    for number in files:
        numbers.met(number, f"2026-03-02T06:00:{number % 60:02d}+00:00", f"g{number}", now)


def test_missing_numbers_are_told_once_and_only_after_a_while() -> None:
    numbers = Numbers(60)
    met(numbers, 1, 2, 5, 9)
    assert told(numbers, 59) == []
    assert told(numbers, 60) == [(3, 4), (6, 8)]
    assert told(numbers, 100) == []


def test_a_number_that_comes_late_is_not_missing() -> None:
    numbers = Numbers(60)
    met(numbers, 1, 5, 3)
    assert told(numbers, 60) == [(2, 2), (4, 4)]


def test_counting_anew_and_far_jumps_are_no_gaps() -> None:
    numbers = Numbers(60)
    met(numbers, 900, 901, 1, 2, 50_000, 50_001)
    assert told(numbers, 60) == []


def test_the_state_survives_a_restart_and_the_waiting_begins_anew() -> None:
    numbers = Numbers(60)
    met(numbers, 1, 4)
    again = Numbers(60)
    again.load(numbers.dump())
    assert told(again, 1000) == []
    met(again, 3, now=1001)
    assert told(again, 1060) == [(2, 2)]
    met(again, 6, now=1100)
    assert told(again, 1160) == [(5, 5)]


@given(st.sets(st.integers(1, 60), min_size=2))
def test_exactly_the_numbers_that_never_came_are_told(files: set[int]) -> None:
    numbers = Numbers(60)
    order = sorted(files)
    met(numbers, *order)
    missing = {number for first, last in told(numbers, 60) for number in range(first, last + 1)}
    assert missing == set(range(min(files), max(files) + 1)) - files

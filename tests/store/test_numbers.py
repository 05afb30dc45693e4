"""Progress is what a plain set of numbers says."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.store.base import Progress
from broker_bridge.store.numbers import advance, close, covers, merge, overlaps, spans

numbers = st.sets(st.integers(1, 60), max_size=40)


def said(committed: set[int], last: int) -> Progress:
    """Progress by counting."""
    contiguous = 0
    while contiguous + 1 in committed:
        contiguous += 1
    above: list[tuple[int, int]] = []
    for number in range(contiguous + 1, max(committed, default=0) + 1):
        if number in committed:
            if number - 1 in committed and above:
                above[-1] = (above[-1][0], number)
            else:
                above.append((number, number))
    return Progress("s", 1, contiguous, tuple(above), last)


@given(st.lists(numbers, max_size=6), st.integers(0, 70))
def test_progress_equals_a_set(arriving: list[set[int]], heard: int) -> None:
    progress = Progress("s", 1, 0, (), heard)
    committed: set[int] = set()
    for some in arriving:
        progress = advance(progress, spans(some))
        committed |= some
    last = max([heard, *committed])
    assert progress == said(committed, last)
    assert {n for first, upto in progress.missing() for n in range(first, upto + 1)} == set(
        range(1, last + 1)
    ) - committed
    assert all(covers(progress, n) == (n in committed) for n in range(1, 75))
    assert all(overlaps(progress, [n]) == (n in committed) for n in range(1, 75))


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(0, 9)).map(lambda pair: (pair[0], sum(pair)))))
def test_merged_ranges_hold_the_same_numbers_and_do_not_touch(ranges: list[tuple[int, int]]) -> None:
    merged = merge(ranges)
    assert {n for first, last in merged for n in range(first, last + 1)} == {
        n for first, last in ranges for n in range(first, last + 1)
    }
    assert all(before[1] + 1 < after[0] for before, after in itertools.pairwise(merged))


def test_spans_of_repeated_numbers() -> None:
    assert spans([3, 1, 2, 2]) == [(1, 3)]
    assert spans([1, 1, 3]) == [(1, 1), (3, 3)]
    assert spans([]) == []


def test_a_gap_without_end_covers_what_was_heard_of() -> None:
    before = Progress("s", 1, 3, ((6, 6),), 9)
    assert close(before, 4, None) == (Progress("s", 1, 9, (), 9, True), (4, 9))
    assert close(before, 20, None)[0] == before._replace(closed=True)
    assert close(before, 4, 5)[0] == before._replace(contiguous=6, above=())

"""Two edges take turns; one edge with a new outbox, and a broker that delivers again, do not."""

from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.recorder.twins import WINDOW_S, Twins


def heard(*said: tuple[int, float]) -> Twins:
    twins = Twins()
    for epoch, at in said:
        twins.heard("/a/b/c/d", epoch, at)
    return twins


def test_turns_are_found_and_forgotten():
    twins = heard((1, 0), (2, 10), (1, 10), (2, 20), (1, 20))
    assert twins.found(21) == ["/a/b/c/d"]
    assert twins.found(10 + WINDOW_S + 1) == []


def test_a_new_outbox_is_no_twin():
    assert heard((1, 0), (1, 1), (2, 2), (2, 3)).found(3) == []


def test_one_late_word_of_the_old_outbox_is_no_twin():
    assert heard((1, 0), (2, 1), (1, 2), (2, 3), (2, 4)).found(4) == []


def test_turns_that_lie_far_apart_are_no_twins():
    assert heard((1, 0), (2, 1), (1, 2), (2, 3), (1, 4 + WINDOW_S)).found(4 + WINDOW_S) == []


def test_sources_are_watched_apart():
    twins = Twins()
    for at, (source, epoch) in enumerate([("a", 1), ("b", 2), ("a", 1), ("b", 2), ("a", 1)]):
        twins.heard(source, epoch, at)
    assert twins.found(5) == []


@given(st.lists(st.integers(1, 3)))
def test_epochs_that_only_grow_are_never_twins(epochs: list[int]):
    assert heard(*((epoch, 0.0) for epoch in sorted(epochs))).found(0) == []

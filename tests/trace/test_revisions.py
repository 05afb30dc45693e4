"""Of one raw record only the highest complete revision's set holds."""

from hypothesis import given
from hypothesis import strategies as st
from told import Told, board

from broker_bridge.events.fact import Fact
from broker_bridge.trace.revisions import holding


def _record(*revisions: tuple[int, int, int]) -> list[Fact]:
    """Facts of one raw record: (revision, events it should have, events that are there)."""
    told = Told()
    for revision, size, there in revisions:
        for ordinal in range(there):
            told.say(
                "board.arrived", "10:00:00", board(f"B{revision}-{ordinal}"), station="spi", how="unknown",
                position=7, ordinal=ordinal, revision=revision, events=size,
            )  # fmt: skip
    return told.facts


def _held(facts: list[Fact]) -> set[tuple[int, int]]:
    return {(fact.revision, fact.ordinal) for fact in holding(facts)}


def test_a_complete_higher_revision_replaces_the_whole_set() -> None:
    assert _held(_record((1, 3, 3), (2, 1, 1))) == {(2, 0)}


def test_an_incomplete_higher_revision_changes_nothing() -> None:
    assert _held(_record((1, 2, 2), (2, 3, 2))) == {(1, 0), (1, 1)}


def test_of_three_the_highest_complete_one_holds() -> None:
    assert _held(_record((1, 1, 1), (2, 2, 2), (5, 4, 3))) == {(2, 0), (2, 1)}


def test_a_first_revision_that_is_still_arriving_hides_nothing() -> None:
    assert _held(_record((3, 4, 2))) == {(3, 0), (3, 1)}


def test_other_raw_records_are_left_alone() -> None:
    told = Told()
    told.say("board.arrived", "10:00:00", board("A"), station="spi", how="unknown", position=1)
    told.say("board.arrived", "10:00:00", board("A"), station="spi", how="unknown", position=1, revision=2)
    told.say("board.arrived", "10:00:00", board("A"), station="spi", how="unknown", position=2)
    told.say("board.arrived", "10:00:00", board("A"), station="aoi", how="unknown", position=1)
    assert {(fact.source[-3:], fact.position, fact.revision) for fact in holding(told.facts)} == {
        ("spi", 1, 2), ("spi", 2, 1), ("aoi", 1, 1),
    }  # fmt: skip


@given(
    st.lists(st.tuples(st.integers(1, 4), st.integers(1, 3), st.integers(1, 3)), min_size=1, max_size=4),
    st.randoms(use_true_random=False),
)
def test_order_and_repetition_do_not_matter(revisions: list[tuple[int, int, int]], random: object) -> None:
    unique = {revision: (revision, size, min(size, there)) for revision, size, there in revisions}
    facts = _record(*unique.values())
    shuffled = [*facts, *facts[: len(facts) // 2]]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert holding(shuffled) == holding(facts)

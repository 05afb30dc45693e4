"""What was possible at a slot: proofs, splices, unproven set-ups, gaps. Common practice, no source."""

from typing import Any

import pytest
from told import Told, at

from broker_bridge.trace.life import exceeded
from broker_bridge.trace.setups import Possible, Stuff, possible
from broker_bridge.trace.statements import opened
from broker_bridge.trace.supply import Setups

SLOT: dict[str, Any] = {"feeding": {"slot": "5"}}


def reel(name: str | None, lot: str | None = None, **more: Any) -> dict[str, Any]:
    return {"part": "P-1", **({"id": name} if name else {}), **({"lots": [lot]} if lot else {}), **more}


class Slot:
    """What a machine says of one slot."""

    def __init__(self) -> None:
        self.told = Told()

    def say(self, kind: str, clock: str, name: str | None = None, **more: Any) -> "Slot":
        more.setdefault("feeding", {"slot": "5"})
        self.told.say(f"material.{kind}", clock, station="place", material=reel(name), **more)
        return self

    def at(self, start: str, end: str | None = None) -> Possible:
        supply = Setups(opened(self.told.facts))
        since, until = at(start), at(end or start)
        marks = supply.marks("/harbour/smt/line-1", "place", "slot", "5", since, until)
        first = possible(marks, (), since, until, "place slot 5")
        gaps = supply.gaps("/harbour/smt/line-1", "place", first.since, first.until)
        return possible(marks, gaps, since, until, "place slot 5")


def names(found: Possible) -> list[tuple[str | None, str]]:
    return [(choice.stuff.id, choice.belief.certainty) for choice in found.choices]


def proven(clock: str, name: str, slot: Slot | None = None) -> Slot:
    return (slot or Slot()).say("set_up", clock, name, proof="verified")


def test_one_reel_between_two_proofs_is_observed() -> None:
    assert names(proven("10:00:00", "A").say("removed", "12:00:00", "A").at("11:00:00")) == [
        ("A", "observed")
    ]
    assert names(proven("12:00:00", "B", proven("10:00:00", "A")).at("11:00:00")) == [("A", "observed")]


def test_while_nothing_shows_what_came_after_it_is_inferred() -> None:
    (choice,) = proven("10:00:00", "A").at("11:00:00").choices
    assert (choice.stuff.id, choice.belief.certainty) == ("A", "inferred")


def test_8_what_was_there_when_the_record_began_is_unknown_and_not_none() -> None:
    found = Slot().say("removed", "12:00:00", "A").at("11:00:00")
    assert {name for name, _ in names(found)} == {None, "A"}
    assert all(choice.belief.certainty == "inferred" for choice in found.choices)
    assert any(choice.confirm for choice in found.choices)


def test_8_an_unproven_set_up_is_every_lot_since_the_last_proof() -> None:
    slot = (
        proven("10:00:00", "A")
        .say("set_up", "11:00:00", "B", proof="bypassed")
        .say("set_up", "11:30:00", None)
    )
    found = slot.at("12:00:00")
    assert {name for name, _ in names(found)} == {"A", "B", None}
    assert {certainty for _, certainty in names(found)} == {"inferred"}
    assert any("2026-03-02 11:30:00" in (choice.confirm or "") for choice in found.choices)
    assert names(proven("13:00:00", "C", slot).say("removed", "15:00:00", "C").at("14:00:00")) == [
        ("C", "observed")
    ]


def test_a_reel_that_was_returned_and_set_up_again_is_the_same_one() -> None:
    slot = proven("10:00:00", "A").say("removed", "11:00:00", "A", reason="returned")
    proven("12:00:00", "A", slot).say("removed", "13:00:00", "A")
    assert names(slot.at("12:30:00")) == [("A", "observed")]
    assert names(slot.at("11:30:00")) == []


@pytest.mark.parametrize("clock", ["10:59:00", "11:10:00"])
def test_behind_a_splice_either_reel_is_possible_until_one_is_seen(clock: str) -> None:
    slot = proven("10:00:00", "A").say("spliced", "11:00:00", "B", proof="verified")
    slot.say("removed", "13:00:00", "B")
    expected = {"A"} if clock < "11" else {"A", "B"}
    assert {name for name, _ in names(slot.at(clock))} == expected


def test_a_reel_seen_behind_the_splice_ends_the_doubt() -> None:
    slot = proven("10:00:00", "A").say("spliced", "11:00:00", "B", proof="verified")
    slot.say("installed", "11:20:00", "A", places=[], quantity=4)
    slot.say("installed", "11:40:00", "B", places=[], quantity=4)
    slot.say("removed", "13:00:00", "B")
    assert {name for name, _ in names(slot.at("11:10:00"))} == {"A"}
    assert {name for name, _ in names(slot.at("11:30:00"))} == {"A", "B"}
    assert names(slot.at("12:00:00")) == [("B", "observed")]
    assert any("confirm the splice" in (c.confirm or "") for c in slot.at("11:30:00").choices)


def test_a_change_that_nobody_told_leaves_both_possible() -> None:
    slot = proven("10:00:00", "A").say("removed", "12:00:00", "B")
    assert {name for name, _ in names(slot.at("11:00:00"))} == {"A", "B"}


def test_a_gap_of_the_source_between_the_proofs_widens() -> None:
    slot = proven("10:00:00", "A").say("removed", "12:00:00", "A")
    slot.told.say(
        "source.gap",
        "10:30:00",
        station="place",
        source="place",
        start="10:30:00",
        end="10:40:00",
        cause="away",
    )
    (choice,) = slot.at("11:00:00").choices
    assert (choice.stuff.id, choice.belief.certainty) == ("A", "inferred")
    assert "gap" in (choice.belief.reason or "")


def test_a_change_within_the_time_gives_all_that_were_there() -> None:
    slot = proven("11:00:00", "B", proven("10:00:00", "A")).say("removed", "12:00:00", "B")
    assert {name for name, _ in names(slot.at("10:30:00", "11:30:00"))} == {"A", "B"}


def test_the_order_in_which_facts_come_changes_nothing() -> None:
    slot = (
        proven("10:00:00", "A")
        .say("spliced", "11:00:00", "B", proof="verified")
        .say("removed", "13:00:00", "B")
    )
    shuffled = Slot()
    shuffled.told.facts = [*reversed(slot.told.facts), *slot.told.facts]
    assert shuffled.at("11:30:00") == slot.at("11:30:00")


def test_names_of_containers() -> None:
    assert Stuff("A").same(Stuff("A", lots=("L",)))
    assert not Stuff("A").same(Stuff("B"))
    assert Stuff(part="P", lots=("L",)).same(Stuff(part="P", lots=("L",)))


@pytest.mark.parametrize(
    ("clock", "expected"),
    [("11:00:00", None), ("14:30:00", "floor life"), ("18:00:00", None), ("23:59:00", "shelf life")],
)
def test_23_floor_life_runs_from_opening_until_dry_storage_and_shelf_life_ends(
    clock: str, expected: str | None
) -> None:
    """J-STD-033: floor life runs while the parts are out; dry storage stops it (from memory)."""
    told = Told()
    told.say("material.set_up", "09:00:00", station="place", material=reel("A", expires="2026-03-02T23:00:00Z"),
             feeding={"slot": "5"}, proof="verified")  # fmt: skip
    told.say("material.exposed", "10:00:00", material=reel("A"), change="opened", level="3", remaining_h=4)
    told.say("material.exposed", "15:00:00", material=reel("A"), change="dry_stored")
    why = exceeded(Setups(opened(told.facts)).lives("A"), "A", at(clock))
    assert (why is None) if expected is None else (why is not None and expected in why)

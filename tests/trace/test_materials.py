"""What a board carries: plant-life situations 5, 8, 9, 10, 11 and 13, told by the facts of one line.

The situations are common practice, no source.
"""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from told import Told, at, board, history_of, panel

from broker_bridge.trace.history import History
from broker_bridge.trace.mentions import Node
from broker_bridge.trace.uses import Material


def reel(name: str | None, lot: str | None = None, part: str = "P-1", **more: Any) -> dict[str, Any]:
    return {"part": part, **({"id": name} if name else {}), **({"lots": [lot]} if lot else {}), **more}


def feeding(slot: str = "5") -> dict[str, Any]:
    return {"slot": slot}


class Line(Told):
    """A placement machine that tells its program, and a panel P of two boards A and B."""

    def __init__(self, designators: tuple[str, ...] = ("R1", "R2"), link: str = "introduced") -> None:
        super().__init__()
        for position, serial in enumerate("AB", 1):
            self.say(f"board.{link}", "08:00:00", board(serial, panel="P", position=position), station="load")
        self.say("station.program_changed", "08:30:00", station="place", program={"name": "PRG"})
        places = [{"designator": name} for name in designators]
        self.say("material.planned", "08:30:00", station="place", program={"name": "PRG"}, feeding=feeding(),
                 material={"part": "P-1"}, places=places)  # fmt: skip

    def sets_up(self, clock: str, name: str, lot: str | None = None, **more: Any) -> None:
        more.setdefault("proof", "verified")
        self.say(
            "material.set_up", clock, station="place", material=reel(name, lot), feeding=feeding(), **more
        )

    def works(self, clock: str, position: int, outcome: str = "completed", **more: Any) -> None:
        self.say("work.completed", clock, board(panel="P", position=position, **more), station="place", outcome=outcome,
                 program={"name": "PRG"}, side="top")  # fmt: skip

    def feeds(self, clock: str, name: str | None, lot: str | None, quantity: float, **more: Any) -> None:
        self.say("material.installed", clock, panel("P"), station="place", material=reel(name, lot), feeding=feeding(),
                 quantity=quantity, places=[], by="machine", side="top", sequence="board_by_board", **more)  # fmt: skip


def parts(history: History) -> list[Material]:
    return [one for one in history.materials if one.act == "installed"]


def told(history: History) -> list[tuple[str | None, tuple[str | None, ...], str]]:
    return [(one.id, tuple(p.designator for p in one.places), one.certainty) for one in parts(history)]


def test_what_a_panel_was_fed_is_on_its_boards_at_the_programs_places() -> None:
    line = Line()
    line.sets_up("08:20:00", "R-A", "L1")
    for position in (1, 2):
        line.works("09:00:00", position)
    line.feeds("09:00:00", "R-A", "L1", 4)
    assert told(line.history("A")) == [("R-A", ("R1", "R2"), "observed")]
    assert line.history("B").materials[-1].lots == ("L1",)


def test_a_reel_that_ends_within_a_panel_is_dealt_out_by_the_machines_order() -> None:
    line = Line()
    for position in (1, 2):
        line.works("09:00:00", position)
    line.feeds("09:00:00", "R-A", "L1", 3)
    line.feeds("09:00:00", "R-B", "L2", 1)
    assert told(line.history("A")) == [("R-A", ("R1", "R2"), "observed")]
    assert told(line.history("B")) == [("R-A", ("R1",), "observed"), ("R-B", ("R2",), "observed")]


def test_where_the_counts_do_not_add_up_each_reel_is_possible() -> None:
    line = Line()
    for position in (1, 2):
        line.works("09:00:00", position)
    line.feeds("09:00:00", "R-A", "L1", 3)
    line.feeds("09:00:00", "R-B", "L2", 2)
    found = parts(line.history("A"))
    assert {one.id for one in found} == {"R-A", "R-B"}
    assert {one.certainty for one in found} == {"inferred"}
    assert len({one.one_of for one in found}) == 1


def test_a_panel_of_which_nothing_was_told_is_joined_with_the_set_up() -> None:
    line = Line()
    line.sets_up("08:20:00", "R-A", "L1")
    line.passes("place", "09:00:00", "09:00:30", board("A"))
    line.say("material.removed", "10:00:00", station="place", material=reel("R-A", "L1"), feeding=feeding())
    line.works("09:00:20", 1)
    assert told(line.history("A")) == [("R-A", ("R1", "R2"), "observed")]


def test_5_a_skipped_position_carries_nothing() -> None:
    def skips(line: Line) -> Line:
        line.works("09:00:00", 1)
        line.works("09:00:00", 2, outcome="skipped", state="skipped")
        line.feeds("09:00:00", "R-A", "L1", 2)
        return line

    known = skips(Line(link="identified"))
    assert told(known.history("A")) == [("R-A", ("R1", "R2"), "observed")]
    assert parts(known.history("B")) == []
    # Where the loader engraved it a board is there: the sources disagree.
    assert {one.certainty for one in parts(skips(Line()).history("B"))} == {"inferred"}


def test_5_a_position_that_one_source_skipped_and_others_worked_on_is_in_doubt() -> None:
    """A panel that lies the wrong way round looks like this: the skipped position is elsewhere."""
    line = Line(link="identified")
    line.say(
        "board.departed",
        "08:10:00",
        board(panel="P", position=1, state="skipped"),
        station="load",
        how="transferred",
    )
    line.say(
        "inspection.completed",
        "08:50:00",
        board(panel="P", position=1),
        station="spi",
        outcome="passed",
        method="paste",
    )
    line.works("09:00:00", 1)
    line.feeds("09:00:00", "R-A", "L1", 2)
    assert [(one.certainty, one.reason) for one in parts(line.history("A"))] == [
        ("inferred", "load says that the position was skipped, others worked on it")
    ]


def test_8_a_reel_that_nobody_scanned_may_be_any_of_its_part() -> None:
    line = Line()
    line.say(
        "material.set_up",
        "08:20:00",
        station="place",
        material=reel(None),
        feeding=feeding(),
        proof="bypassed",
    )
    line.works("09:00:00", 1)
    line.feeds("09:00:00", None, None, 2)
    (one,) = parts(line.history("A"))
    assert (one.known, one.part, one.certainty) == (False, "P-1", "inferred")
    assert one.confirm == "confirm the set-up at place slot 5 of 2026-03-02 08:20:00"


def test_8_what_any_source_says_of_a_reels_lots_counts() -> None:
    line = Line()
    line.works("09:00:00", 1)
    line.feeds("09:00:00", "R-A", None, 2)
    line.say("material.exposed", "12:00:00", material=reel("R-A", "L7"), change="opened")
    assert parts(line.history("A"))[0].lots == ("L7",)


def prints(line: Told, clock: str, jar: str | None, **more: Any) -> None:
    paste = {"paste": {"id": jar}} if jar else {}
    line.say("work.print_attempted", clock, panel("P"), station="print", stencil="S", side="top", outcome="completed",
             **paste, **more)  # fmt: skip


def jar(line: Told, clock: str, name: str, lot: str) -> None:
    line.say(
        "material.replenished",
        clock,
        station="print",
        material={"id": name, "lots": [lot], "container": "jar"},
    )


def cleaned(line: Told, clock: str, removed: bool = True) -> None:
    line.say("work.stencil_cleaned", clock, station="print", stencil="S", paste_removed=removed,
             method="washed" if removed else "wiped")  # fmt: skip


def test_9_a_paste_stays_possible_until_the_stencil_is_cleaned_off() -> None:
    line = Line()
    jar(line, "08:00:00", "J0", "L0")
    cleaned(line, "08:05:00")
    jar(line, "08:10:00", "J1", "L1")
    jar(line, "08:40:00", "J2", "L2")
    cleaned(line, "08:50:00", removed=False)
    prints(line, "09:00:00", "J2")
    paste = {
        (one.id, one.lots, one.certainty) for one in line.history("A").materials if one.act == "consumed"
    }
    assert paste == {("J2", ("L2",), "observed"), ("J1", ("L1",), "inferred")}


def test_10_what_was_washed_off_is_carried_no_more_but_was() -> None:
    line = Line()
    cleaned(line, "08:00:00")
    jar(line, "08:10:00", "J1", "L1")
    prints(line, "09:00:00", "J1")
    line.say("work.washed", "09:10:00", panel("P"), station="wash", side="top")
    cleaned(line, "09:20:00")
    jar(line, "09:30:00", "J2", "L2")
    prints(line, "10:00:00", "J2", attempt=2)
    paste = {(one.id, one.now) for one in line.history("A").materials if one.act == "consumed"}
    assert paste == {("J1", False), ("J2", True)}


def test_11_a_replaced_part_is_ever_carried_and_the_new_one_now_days_later() -> None:
    line = Line()
    line.works("09:00:00", 1)
    line.feeds("09:00:00", "R-A", "L1", 2)
    line.say(
        "inspection.rework_performed", at("10:00:00", 3), board("A"), station="bench", kind="rework", outcome="completed",
        actions=[{"place": {"designator": "R2"}, "action": "replace", "installed": reel("BAG", "LB")}],
    )  # fmt: skip
    machine, hand = parts(line.history("A"))
    assert ([p.designator for p in machine.gone], machine.now) == (["R2"], True)
    assert (hand.id, hand.now, [p.designator for p in hand.places]) == ("BAG", True, ["R2"])


def test_11_a_part_taken_off_and_not_replaced_is_gone() -> None:
    line = Line(("R1",))
    line.works("09:00:00", 1)
    line.feeds("09:00:00", "R-A", "L1", 1)
    line.say(
        "material.removed_from_board", "11:00:00", board("A"), station="bench", places=[{"designator": "R1"}]
    )
    (one,) = parts(line.history("A"))
    assert (one.now, one.ended is not None) == (False, True)


def test_13_a_program_loaded_at_another_time_only_is_a_doubt() -> None:
    line = Line()
    line.facts = [
        fact for fact in line.facts if fact.type not in ("material.planned", "station.program_changed")
    ]
    line.works("09:00:00", 1)
    line.feeds("09:00:00", "R-A", "L1", 2)
    line.say("material.planned", "12:00:00", station="place", program={"name": "PRG"}, feeding=feeding(),
             material={"part": "P-1"}, places=[{"designator": "R9"}])  # fmt: skip
    (one,) = parts(line.history("A"))
    assert (one.certainty, [p.designator for p in one.places]) == ("inferred", ["R9"])
    assert "another time" in (one.reason or "")


@pytest.mark.parametrize("serial", ["A", "B"])
def test_said_doubly_is_carried_once(serial: str) -> None:
    line = Line()
    for _ in range(2):
        for position in (1, 2):
            line.works("09:00:00", position)
        line.feeds("09:00:00", "R-A", "L1", 4)
    assert told(line.history(serial)) == [("R-A", ("R1", "R2"), "observed")]


def busy() -> Line:
    line = Line()
    line.sets_up("08:20:00", "R-A", "L1")
    cleaned(line, "08:00:00")
    jar(line, "08:10:00", "J1", "L9")
    prints(line, "08:45:00", "J1")
    for position in (1, 2):
        line.works("09:00:00", position)
    line.feeds("09:00:00", "R-A", "L1", 3)
    line.feeds("09:00:00", "R-B", "L2", 1)
    line.say("material.spliced", "08:58:00", station="place", material=reel("R-B", "L2"), feeding=feeding(),
             proof="verified")  # fmt: skip
    line.say(
        "material.removed_from_board", "11:00:00", board("A"), station="bench", places=[{"designator": "R1"}]
    )
    return line


BUSY = busy()


@settings(max_examples=30)
@given(st.permutations(range(len(BUSY.facts))), st.lists(st.integers(0, len(BUSY.facts) - 1), max_size=5))
def test_any_order_and_any_repetition_give_the_same(order: list[int], again: list[int]) -> None:
    facts = [BUSY.facts[place] for place in (*order, *again)]
    for serial in "AB":
        assert history_of(facts, Node("board", serial)).materials == BUSY.history(serial).materials


def test_a_program_without_a_list_takes_nothing_where_others_have_one() -> None:
    line = Line()
    line.sets_up("08:20:00", "R-A", "L1")
    line.say("station.program_changed", "08:50:00", station="place", program={"name": "OTHER"})
    line.say(
        "work.completed",
        "09:00:00",
        board("A"),
        station="place",
        outcome="completed",
        program={"name": "OTHER"},
    )
    assert parts(line.history("A")) == []


def test_what_a_program_takes_is_a_doubt_where_its_list_is_not_known() -> None:
    line = Line()
    line.sets_up("08:20:00", "R-A", "L1")
    line.say("material.removed", "10:00:00", station="place", material=reel("R-A", "L1"), feeding=feeding())
    line.say(
        "work.completed",
        "09:00:00",
        board("A"),
        station="place",
        outcome="completed",
        program={"name": "LOST"},
    )
    (one,) = parts(line.history("A"))
    assert (one.id, one.places, one.certainty) == ("R-A", (), "inferred")
    assert "what the program took" in (one.reason or "")

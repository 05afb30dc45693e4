"""What may leave: asked-for types and lines, markings of parts, persons and raw bytes."""

import json
from typing import Any

from told import Told, board, panel

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.leaving import Choice, Marked


def learnt(facts: list[Fact]) -> Marked:
    marked = Marked()
    marked.declare(facts)
    marked.learn(facts)
    return marked


def declared(told: Told, part: str, marking: str | None) -> None:
    told.say(
        "line.part_declared",
        "06:00:00",
        source="plan",
        valid_from="06:00:00",
        part={"number": part},
        marking=marking,
    )


def test_only_types_and_lines_that_were_asked_for() -> None:
    told = Told()
    arrived = told.say("board.arrived", "10:00:00", board("A"), station="aoi", how="unknown")
    inspected = told.inspects("aoi", "10:00:00", "10:00:10", board("A"))
    only = Choice(types=("inspection.*",))
    assert [only.wants(fact) for fact in (arrived, inspected)] == [False, True]
    assert Choice(lines=("line-1",)).wants(arrived)
    assert not Choice(lines=("line-2",)).wants(arrived)


def test_a_marked_part_stays_with_all_its_boards_by_whatever_name() -> None:
    told = Told()
    declared(told, "HW-1", "export control")
    declared(told, "HW-2", None)
    told.say("board.introduced", "07:00:00", board("A", panel="P1", position=1), part={"number": "HW-1"})
    told.say("board.identified", "07:00:00", board("A", "transfer=t-1"))
    told.say("board.introduced", "07:00:00", board("B"), part={"number": "HW-2"})
    questions = [
        told.say("board.arrived", "10:00:00", board("A"), station="aoi", how="unknown"),
        told.say("board.arrived", "10:00:00", board("transfer=t-1"), station="aoi", how="unknown"),
        told.say("board.arrived", "10:00:00", panel("P1"), station="aoi", how="unknown"),
        told.say("board.arrived", "10:00:00", board("A"), board("B"), station="aoi", how="unknown"),
        told.say(
            "line.part_declared", "08:00:00", source="plan", valid_from="08:00:00", part={"number": "HW-1"}
        ),
    ]
    free = told.say("board.arrived", "10:00:00", board("B"), station="aoi", how="unknown")
    marked = learnt(told.facts)
    for fact in questions:
        assert "marked 'export control'" in (Choice().withheld(fact, marked) or ""), fact
        assert Choice(markings=("export control",)).withheld(fact, marked) is None
    assert Choice().withheld(free, marked) is None


def test_where_parts_are_marked_an_unknown_part_stays_too() -> None:
    told = Told()
    declared(told, "HW-1", "customer X")
    stranger = told.say("board.arrived", "10:00:00", board("Z"), station="aoi", how="unknown")
    alarm = told.say("station.alarm_raised", "10:00:00", station="aoi", code="7", text="door")
    marked = learnt(told.facts)
    assert "not known" in (Choice().withheld(stranger, marked) or "")
    assert Choice(unknown_parts=True).withheld(stranger, marked) is None
    assert Choice().withheld(alarm, marked) is None


def test_without_any_marking_everything_may_leave() -> None:
    told = Told()
    declared(told, "HW-1", None)
    stranger = told.say("board.arrived", "10:00:00", board("Z"), station="aoi", how="unknown")
    assert Choice().withheld(stranger, learnt(told.facts)) is None


def test_persons_and_raw_bytes_are_cut_out_and_flagged_unless_allowed() -> None:
    data: dict[str, Any] = {
        "operator": "p-abcdefghijklmnop",
        "who": "p-abcdefghijklmnop",
        "origin": {
            "adapter": "a",
            "raw": {"hash": "0" * 64, "size": 3, "inline": "YWJj"},
            "flags": ["typed"],
        },
    }
    cut = Choice().cut(data)
    assert "operator" not in cut
    assert cut["who"] == "withheld"
    assert cut["origin"] == {
        "adapter": "a", "raw": {"hash": "0" * 64, "size": 3}, "flags": ["typed", "person_withheld", "withheld"],
    }  # fmt: skip
    assert data["origin"]["raw"]["inline"] == "YWJj", "the fact itself stays as it is"
    assert Choice(allow=("persons", "raw")).cut(data) is data
    assert "operator" in Choice(allow=("persons",)).cut(data)
    assert Choice().cut({"station": "aoi", "origin": {"adapter": "a"}}) == {
        "station": "aoi",
        "origin": {"adapter": "a"},
    }


def test_a_cut_event_is_still_one_of_the_schema() -> None:
    from broker_bridge.events.union import DATA_TYPES

    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", board("A"), operator="p-abcdefghijklmnop")
    told.say("board.asserted", "10:00:00", board("A"), claim="note", who="p-abcdefghijklmnop", why="it fell")
    for fact in told.facts:
        cut = Choice().cut(fact.data)
        assert cut is not fact.data
        DATA_TYPES[fact.type].model_validate_json(json.dumps(cut))

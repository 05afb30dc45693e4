"""A board's history holds exactly its share of the panel's: property tests over panels that are cut."""

from hypothesis import given, settings
from hypothesis import strategies as st
from told import Told, board, history_of, panel

from broker_bridge.events.fact import Fact
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.history import History
from broker_bridge.trace.mentions import Node, Slot

STATIONS = ("print", "spi", "place", "oven", "aoi", "test")


@st.composite
def panels(draw: st.DrawFn) -> tuple[list[Fact], int, dict[int, set[Evidence]]]:
    """The events of one panel, its number of boards, and the events that are each board's share, by construction."""
    size = draw(st.integers(1, 4))
    marked = draw(st.booleans())
    cut = draw(st.one_of(st.none(), st.integers(1, 8)))
    told = Told()
    share: dict[int, set[Evidence]] = {position: set() for position in range(1, size + 1)}

    def say(
        clock: str, whose: list[int], *boards: object, type_name: str = "work.completed", **more: object
    ) -> None:
        if type_name == "work.completed":
            more["outcome"] = "completed"
        fact = told.say(type_name, clock, *boards, **more)  # type: ignore[arg-type]
        for position in whose:
            share[position].add(Evidence(fact.source, fact.id))

    everyone = list(share)
    for step in range(draw(st.integers(1, 9))):
        clock, station = f"10:{step:02d}:00", draw(st.sampled_from(STATIONS))
        if step == cut:
            parts = [_board(position, marked) for position in everyone]
            say(clock, everyone, *parts, type_name="board.depaneled", station="cut")
        elif draw(st.booleans()):
            position = draw(st.sampled_from(everyone))
            say(clock, [position], _board(position, marked), station=station)
        else:
            gone = cut is not None and step > cut
            say(clock, [] if gone else everyone, panel("P"), station=station)
    if marked:
        for position in everyone:
            say("09:00:00", [position], _board(position, marked), station="load")
    return told.facts, size, share


def _board(position: int, marked: bool) -> object:
    names = (f"S{position}",) if marked else ()
    return board(*names, panel="P", position=position)


def witnessed(history: History) -> set[Evidence]:
    return {event for visit in history.route for event in visit.evidence}


@settings(max_examples=80)
@given(panels())
def test_each_board_has_its_share_and_nothing_of_its_sisters(
    plant: tuple[list[Fact], int, dict[int, set[Evidence]]],
) -> None:
    facts, size, share = plant
    everything: set[Evidence] = set()
    for position in range(1, size + 1):
        asked = Slot(Node("panel", "P"), position)
        if not share[position]:
            continue
        if not any(b.get("position") == position for fact in facts for b in fact.data["boards"]):
            continue  # nothing tells that the panel has this position
        history = history_of(facts, asked)
        assert witnessed(history) == share[position], position
        everything |= witnessed(history)
    lost = {Evidence(f.source, f.id) for f in facts} - everything - set().union(*share.values())
    after_the_cut = [f for f in facts if Evidence(f.source, f.id) in lost]
    assert all(not fact.data["boards"][0].get("position") for fact in after_the_cut)

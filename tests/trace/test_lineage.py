"""Ancestors and descendants, in time, against networkx (https://networkx.org, BSD-3-Clause) as an oracle."""

from pathlib import Path

import networkx
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from memory_store import MemoryStore
from told import Told, at, board, panel, recorded

from broker_bridge.events.base import Board, Identifier
from broker_bridge.events.fact import Fact
from broker_bridge.queries.boards import board as history_of_board
from broker_bridge.queries.family import with_family
from broker_bridge.queries.record import open_with
from broker_bridge.trace.genealogy import Kin, ancestors
from broker_bridge.trace.history import subjects
from broker_bridge.trace.mentions import Node

MINUTES = 100
KINDS = {"b": "board", "p": "panel", "a": "assembly"}


def assembly(value: str) -> Board:
    return Board(unit="assembly", identifiers=(Identifier(kind="assembly", value=value, how="read"),))


def unit(name: str) -> Board:
    return {"b": board, "p": panel, "a": assembly}[name[0]](name)


@st.composite
def plants(draw: st.DrawFn) -> list[tuple[str, str, int, int | None]]:
    """Memberships (part, whole, from, to) in minutes: boards in assemblies, panels in assemblies, assemblies in others.

    A part is in one whole at a time; a whole is always a later name than its part, so that nothing contains itself.
    """
    names = [f"b{n}" for n in range(4)] + [f"p{n}" for n in range(2)] + [f"a{n}" for n in range(4)]
    found = []
    for place, part in enumerate(names):
        wholes = [name for name in names[place + 1 :] if name[0] == "a"]
        time = draw(st.integers(0, 20))
        while wholes and time < 80 and draw(st.booleans()):
            stays = draw(st.integers(1, 40))
            for_good = draw(st.booleans())
            found.append((part, draw(st.sampled_from(wholes)), time, None if for_good else time + stays))
            if for_good:
                break
            time += stays + draw(st.integers(1, 20))
    return found


def told(plant: list[tuple[str, str, int, int | None]]) -> list[Fact]:
    events = Told()
    moves = [(start, "joined", part, whole) for part, whole, start, _ in plant]
    moves += [(end, "separated", part, whole) for part, whole, _, end in plant if end is not None]
    for minute, what, part, whole in sorted(moves, key=lambda move: (move[0], move[1] == "joined")):
        clock = f"{10 + minute // 60:02d}:{minute % 60:02d}:00"
        events.say(f"board.{what}", clock, unit(part), station="assembly", parent=unit(whole))
    return events.facts


def truth(plant: list[tuple[str, str, int, int | None]], minute: int) -> "networkx.DiGraph[str]":
    """Who is part of whom in a minute: edges from part to whole."""
    graph: networkx.DiGraph[str] = networkx.DiGraph()
    graph.add_nodes_from(name for part, whole, *_ in plant for name in (part, whole))
    graph.add_edges_from(
        (part, whole)
        for part, whole, start, end in plant
        if start <= minute and (end is None or end > minute)
    )
    return graph


def ever(plant: list[tuple[str, str, int, int | None]]) -> dict[str, set[str]]:
    """Who was part of whom at some minute, at any depth, by networkx minute by minute."""
    found: dict[str, set[str]] = {}
    for minute in range(MINUTES):
        graph = truth(plant, minute)
        for name in graph:
            found.setdefault(name, set()).update(networkx.descendants(graph, name))
    return found


def kin(record: object, name: str, relation: str) -> list[Kin]:
    history = with_family(record, history_of_board(record, name, kind=KINDS[name[0]]))  # type: ignore[arg-type]
    return [one for one in history.genealogy if one.relation == relation]


IN_A_ROW: list[tuple[str, str, int, int | None]] = [("b1", "a1", 0, 1), ("a1", "a2", 1, 2)]
TWO_WAYS: list[tuple[str, str, int, int | None]] = [
    ("b1", "a1", 0, 1), ("b1", "a0", 2, None), ("a0", "a1", 0, None),
]  # fmt: skip


@settings(max_examples=60, deadline=None)
@example(IN_A_ROW)
@example(TWO_WAYS)
@given(plants())
def test_ancestors_are_those_of_the_graph(plant: list[tuple[str, str, int, int | None]]) -> None:
    facts, last, were = told(plant), truth(plant, MINUTES - 1), ever(plant)
    for name in sorted(last):
        (subject,) = subjects(facts, Node(KINDS[name[0]], name))
        above = ancestors(subject.thing)
        assert {one.value for one in above if one.now} == networkx.descendants(last, name), name
        assert {one.value for one in above} == were[name], name


@settings(max_examples=8, deadline=None)
@example(IN_A_ROW)
@example(TWO_WAYS)
@given(plants())
def test_what_the_record_tells_above_and_below_are_those_of_the_graph(
    tmp_path_factory: pytest.TempPathFactory, plant: list[tuple[str, str, int, int | None]]
) -> None:
    folder: Path = tmp_path_factory.mktemp("lineage")
    if not plant:
        return
    store = MemoryStore()
    recorded(store, told(plant))
    last = truth(plant, MINUTES - 1)
    were = ever(plant)
    with open_with(store.reader, folder / "i.db") as record:
        for name in sorted(last):
            above = kin(record, name, "part_of")
            assert {one.value for one in above if one.now} == networkx.descendants(last, name), name
            assert {one.value for one in above} == were[name], name
            below = kin(record, name, "holds")
            if name[0] != "b":
                assert {one.value for one in below if one.now} == networkx.ancestors(last, name), name
                assert {one.value for one in below} == {
                    other for other, wholes in were.items() if name in wholes
                }, name


def test_depth_and_what_lies_between_are_told() -> None:
    told_of = Told()
    told_of.say("board.joined", "10:00:00", board("b1"), station="s", parent=assembly("a1"))
    told_of.say("board.joined", "11:00:00", assembly("a1"), station="s", parent=assembly("a2"))
    told_of.say("board.separated", "12:00:00", board("b1"), station="s", parent=assembly("a1"))
    above = told_of.history("b1").genealogy
    assert [(one.value, one.depth, one.through, one.to) for one in above] == [
        ("a1", 1, None, at("12:00:00")), ("a2", 2, "a1", at("12:00:00")),
    ]  # fmt: skip

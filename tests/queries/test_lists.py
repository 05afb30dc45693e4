"""Defects and balances read from what is derived are those that the histories of the boards tell."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lives import lives
from memory_store import MemoryStore
from told import Told, at, board, call, recorded, verdict

from broker_bridge.events.fact import Fact
from broker_bridge.queries.balance import balance_of
from broker_bridge.queries.defects import defects
from broker_bridge.queries.many import boards, facts_of, named
from broker_bridge.queries.record import Record, open_with
from broker_bridge.queries.settling import settle
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.listing import Row, Wanted, rows
from broker_bridge.trace.recall import Asked

ANY = Wanted(any_purpose=True)


def opened(facts: list[Fact], folder: Path) -> Record:
    store = MemoryStore()
    recorded(store, facts)
    return open_with(store.reader, folder / "index.db")


def of_histories(record: Record) -> set[Row]:
    as_of = record.as_of()
    calling = facts_of(record, ("inspection.completed", "inspection.test_completed"), as_of)
    return {row for history in boards(record, named(calling), as_of) for row in rows(history)}


@settings(max_examples=60, deadline=None)
@given(lives())
def test_all_that_histories_tell_is_listed(facts: list[Fact]) -> None:
    """What several boards may be meant by is in no history asked for one by one, and is listed of each."""
    with TemporaryDirectory() as folder:
        record = opened(facts, Path(folder))
        listed = defects(record, ANY).rows
        assert of_histories(record) <= set(listed)
        assert len(set(listed)) == len(listed)
        record.index.close()


def test_a_declaration_that_comes_late_is_told_of_the_boards_before(tmp_path: Path) -> None:
    told = Told()
    for number, serial in enumerate("AB"):
        told.passes("print", f"08:0{number}:00", f"08:0{number}:30", board(serial), order="WO-1", commit=1)
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("R1")], commit=1)
    told.say(
        "inspection.reviewed", "09:10:00", board("A"), station="desk", inspected_at="aoi", inspected="09:00:00",
        verdicts=[verdict("R1", "confirmed")], commit=1,
    )  # fmt: skip
    told.passes("test", "09:40:00", "09:41:00", board("A"), order="WO-1", commit=1)
    store = MemoryStore()
    recorded(store, told.facts)
    record = open_with(store.reader, tmp_path / "index.db")
    assert not defects(record, ANY).rows[0].left
    assert [one.board.value for one in balance_of(record, "WO-1").in_process] == ["A", "B"]
    record.index.close()
    told.say(
        "line.declared", "10:00:00", source="/harbour/smt/line-1/plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in ("print", "aoi", "test")], commit=2,
    )  # fmt: skip
    recorded(store, told.facts[-1:])
    record = open_with(store.reader, tmp_path / "index.db")
    assert defects(record, ANY).rows[0].left == ("end of line-1",)
    balance = balance_of(record, "WO-1")
    assert [one.board.value for one in balance.finished] == ["A"]
    assert [one.board.value for one in balance.in_process] == ["B"]
    assert settle(record)
    earlier = balance_of(record, "WO-1", at=1)
    assert [one.board.value for one in earlier.in_process] == ["A", "B"]
    record.index.close()


_STEPS = st.lists(
    st.sampled_from(
        ["print", "aoi", "test", "desk", "scrap", "return", "use_as_is", "shipped", "held", "stays"]
    ),
    max_size=5,
)


@pytest.mark.parametrize("hours", [1, 30])
@settings(max_examples=40, deadline=None)
@given(st.lists(_STEPS, min_size=1, max_size=3))
def test_a_recall_and_a_balance_tell_one_whereabouts(hours: int, walks: list[list[str]]) -> None:
    """A recall would search the line for a board that a balance says has left it."""
    told = Told()
    told.say(
        "line.declared", "05:00:00", source="/harbour/smt/line-1/plan", line="line-1", valid_from=at("05:00:00"),
        stations=[{"name": name} for name in ("print", "aoi", "test")],
    )  # fmt: skip
    for number, walk in enumerate(walks):
        who = board(f"B{number}")
        told.passes("print", "06:00:00", "06:00:30", who, order="WO-1")
        for step, what in enumerate(walk, 7):
            clock = f"{step:02d}:0{number}"
            if what == "stays":
                told.say("board.arrived", f"{clock}:00", who, station="aoi", how="transferred")
            elif what == "held":
                told.say("board.held", f"{clock}:00", who, reason="asked", hold="H")
            elif what == "shipped":
                told.say("board.shipped", f"{clock}:00", who)
            elif what in ("scrap", "return", "use_as_is"):
                told.say("board.dispositioned", f"{clock}:00", who, disposition=what)
            else:
                told.passes(what, f"{clock}:00", f"{clock}:40", who)
    told.passes("print", at("12:00:00", hours // 24), at("12:00:30", hours // 24), board("LAST"))
    with TemporaryDirectory() as folder:
        record = opened(told.facts, Path(folder))
        recall = where_used(record, Asked(station="print"))
        found = balance_of(record, "WO-1")
        record.index.close()
    states = {one.value: one for one in (*recall.exact, *recall.possible)}
    assert {one.board.value for one in found.started} == states.keys() - {"LAST"}
    for one in found.started:
        other = states[one.board.value]
        state = "held" if other.state == "held" else {"left_line": "finished", "shipped": "finished",
                 "returned": "finished"}.get(other.state, other.state)  # fmt: skip
        left = other.end is not None
        assert state == one.state or (state == "held" and (one.state == "finished") == left), (one, other)
        assert (other.state == "left_line") <= left

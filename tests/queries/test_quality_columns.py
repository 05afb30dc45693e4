"""Columns of many boards: one look of many witnesses, attempts, verdicts, names; and what one board's history says."""

from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_store import MemoryStore
from quality_runs import Opened
from told import Told, at, board, call, panel, recorded, verdict

from broker_bridge.projector.ties import stream, words
from broker_bridge.queries.boards import board as history_of_board
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, read_columns
from broker_bridge.queries.columns_boards import Boards
from broker_bridge.queries.record import Record, open_with


def read(record: Record) -> Columns:
    return read_columns(record, record.as_of())


def said(columns: Columns) -> list[tuple[str, int, str | None]]:
    """Board, attempt and outcome of each look."""
    looks = columns.looks
    return [
        (columns.boards.key(b), attempt, outcome)
        for b, attempt, outcome in zip(
            looks.column("board").tolist(),
            looks.column("attempt").tolist(),
            looks.texts("outcome"),
            strict=True,
        )
    ]


def test_attempts_are_counted_in_order_of_time_whatever_order_they_came_in(told_by_hand: Opened) -> None:
    told = Told()
    told.inspects("aoi", "09:30:00", "09:30:20", board("A"))
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("R1")])
    told.inspects("xray", "09:40:00", "09:40:20", board("A"), method="x_ray")
    assert said(read(told_by_hand(told.facts))) == [
        ("A", 1, "failed"),
        ("A", 2, "passed"),
        ("A", 1, "passed"),
    ]


def test_an_attempt_that_is_stated_holds(told_by_hand: Opened) -> None:
    told = Told()
    told.inspects("aoi", "09:30:00", "09:30:20", board("A"), attempt=2)
    assert said(read(told_by_hand(told.facts))) == [("A", 2, "passed")]


def test_the_same_look_told_twice_is_one_and_two_that_contradict_each_other_are_said_so(
    told_by_hand: Opened,
) -> None:
    told = Told()
    for number in range(2):
        told.inspects(
            "aoi",
            "09:00:00",
            "09:00:20",
            board("A"),
            generation=f"g{number}",
            outcome="failed",
            calls=[call("R1")],
        )
    told.inspects(
        "aoi", "09:10:00", "09:10:20", board("B"), generation="g0", outcome="failed", calls=[call("R1")]
    )
    told.inspects("aoi", "09:10:00", "09:10:20", board("B"), generation="g1")
    columns = read(told_by_hand(told.facts))
    assert said(columns) == [("A", 1, "failed"), ("B", 1, "contradicting")]
    assert len(columns.calls) == 2


def test_a_serial_and_its_place_in_the_panel_are_one_board_and_a_panel_is_its_boards(
    told_by_hand: Opened,
) -> None:
    told = Told()
    for position, serial in enumerate("AB", start=1):
        told.say("board.introduced", "07:00:00", board(serial, panel="P", position=position), station="load")
    told.inspects("spi", "08:00:00", "08:00:20", panel("P"), method="paste", outcome="not_inspected")
    told.inspects("aoi", "09:00:00", "09:00:20", board(panel="P", position=2))
    told.inspects("test", "10:00:00", "10:00:20", board("B"))
    columns = read(told_by_hand(told.facts))
    assert [(key, outcome) for key, _, outcome in said(columns)] == [
        ("A", "not_inspected"), ("B", "not_inspected"), ("B", "passed"), ("B", "passed"),
    ]  # fmt: skip
    assert columns.boards.panel(0) == columns.boards.panel(1) == "P"


def test_boards_of_one_panel_without_a_position_are_still_of_one_panel(told_by_hand: Opened) -> None:
    told = Told()
    for number in (1, 2, 3, 4):
        told.inspects("aoi", "09:00:00", "09:00:20", board(f"A{number}", panel=f"P{(number + 1) // 2}"))
    boards = read(told_by_hand(told.facts)).boards
    assert sorted((boards.key(code), boards.panel(code)) for code in range(len(boards))) == [
        ("A1", "P1"), ("A2", "P1"), ("A3", "P2"), ("A4", "P2"),
    ]  # fmt: skip


def test_names_that_contradict_each_other_are_counted_apart_and_no_name_is_no_board(
    told_by_hand: Opened,
) -> None:
    told = Told()
    told.say("board.introduced", "07:00:00", board("A", panel="P", position=1), station="load")
    told.say("board.introduced", "07:00:01", board("B", panel="P", position=1), station="load")
    told.inspects("aoi", "09:00:00", "09:00:20", board(panel="P", position=1))
    told.inspects("aoi", "09:10:00", "09:10:20", board("NOREAD"))
    told.inspects("aoi", "09:20:00", "09:20:20", board("C"))
    columns = read(told_by_hand(told.facts))
    assert columns.nameless == 1
    chosen = columns.chosen(Choice())
    assert [key for (key, *_), kept in zip(said(columns), chosen, strict=True) if kept] == ["C"]


def test_what_is_no_product_and_what_is_crossed_out_is_in_no_number_unless_asked(
    told_by_hand: Opened,
) -> None:
    told = Told()
    told.inspects("aoi", "09:00:00", "09:00:20", board("REF"), purpose="reference")
    told.inspects(
        "aoi", "09:10:00", "09:10:20", board(panel="P", position=2, state="skipped"), outcome="skipped"
    )
    told.inspects("aoi", "09:20:00", "09:20:20", board("C"))
    columns = read(told_by_hand(told.facts))
    assert columns.chosen(Choice()).tolist() == [False, False, True]
    assert columns.chosen(Choice(any_purpose=True)).tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("choice", "kept"),
    [
        (Choice(station="aoi"), [True, False]),
        (Choice(side="top"), [False, True]),
        (Choice(line="line-1"), [True, True]),
        (Choice(line="line-9"), [False, False]),
        (Choice(since=at("09:30:00")), [False, True]),
        (Choice(until=at("09:30:00")), [True, False]),
        (Choice(shift=(9 * 60, 9 * 60 + 30)), [True, False]),
        (Choice(shift=(22 * 60, 9 * 60 + 30)), [True, False]),
        (Choice(program="X"), [False, True]),
        (Choice(position=3), [True, False]),
        (Choice(method="paste"), [False, True]),
    ],
)
def test_what_is_asked_for(told_by_hand: Opened, choice: Choice, kept: list[bool]) -> None:
    told = Told()
    told.inspects("aoi", "09:00:00", "09:00:20", board(panel="P", position=3), side="bottom")
    told.inspects(
        "spi", "10:00:00", "10:00:20", board("B"), side="top", method="paste", program={"name": "X"}
    )
    assert read(told_by_hand(told.facts)).chosen(choice).tolist() == kept


def test_verdicts_join_the_look_they_name_and_the_last_one_holds(told_by_hand: Opened) -> None:
    told = Told()
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("R1"), call("R2")])
    told.inspects("aoi", "10:00:00", "10:00:20", board("A"), outcome="failed", calls=[call("R1")])
    for time, word in (("11:00:00", "confirmed"), ("11:30:00", "false_call")):
        told.say(
            "inspection.reviewed", time, board("A"), station="desk", inspected_at="aoi", inspected="09:00:00",
            verdicts=[verdict("R1", word), verdict("R9", word)],
        )  # fmt: skip
    columns = read(told_by_hand(told.facts))
    words = [None if one is None else one.verdict for one in columns.verdict]
    place = [(call.look, call.spot.designator) for call in columns.calls]
    assert dict(zip(place, words, strict=True)) == {(0, "R1"): "false_call", (0, "R2"): None, (1, "R1"): None}
    assert len(columns.unjoined) == 2  # R9 was never called


def test_a_superseded_revision_is_in_no_number(told_by_hand: Opened) -> None:
    told = Told()
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", position=7, calls=[call("R1")])
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), position=7, revision=2)
    assert said(read(told_by_hand(told.facts))) == [("A", 1, "passed")]


def test_columns_say_of_every_board_what_its_own_history_says(lived: Record) -> None:
    """The histories are scored against the plant's own truth elsewhere; the columns are another way to the same answer."""
    columns = read(lived)
    looks = columns.looks
    calls: dict[int, list[int]] = {}
    for number, one in enumerate(columns.calls):
        calls.setdefault(one.look, []).append(number)
    rows: dict[int, list[int]] = {}
    for row, code in enumerate(looks.column("board").tolist()):
        rows.setdefault(code, []).append(row)
    compared = 0
    for code, mine in rows.items():
        key = columns.boards.key(code)
        if "#" in key or code in columns.boards.doubtful:
            continue  # no serial of its own
        history = history_of_board(lived, key, kind="board")
        compared += 1
        seen = looks.texts("method", np.asarray(mine))
        inspected = [row for row, method in zip(mine, seen, strict=True) if method in ("paste", "optical")]
        at_ = {row: int(looks.column("began")[row]) // 10**6 for row in mine}
        texts = {name: looks.texts(name) for name in ("station", "side", "outcome")}
        assert Counter(
            (texts["station"][row], texts["side"][row], at_[row], texts["outcome"][row]) for row in inspected
        ) == Counter(
            (one.station, one.side, int(when.timestamp()), one.outcome)
            for one in history.inspections
            if (when := one.started or one.ended)
        ), key
        assert Counter(
            (at_[row], columns.calls[n].spot.designator, columns.calls[n].label, v.verdict if (v := columns.verdict[n]) else None)
            for row in mine
            for n in calls.get(row, ())
        ) == Counter(
            (int(when.timestamp()), call.place.designator, call.label, call.verdict)
            for one in history.inspections
            for call in one.calls
            if (when := one.started or one.ended)
        ), key  # fmt: skip
    assert compared >= 40


names_of_boards = st.sampled_from(["A", "A", "B", "B", "C", "NOREAD"])
panels = st.sampled_from([None, "P", "P", "P", "Q", "0000"])
entries = st.builds(
    dict, own=st.none() | names_of_boards, others=st.lists(st.sampled_from(["label=L1", "label=L2", "panel=P", "panel=Q"]), max_size=2),
    panel=panels, position=st.sampled_from([None, 1, 1, 2, 2, 3]), state=st.sampled_from([None, "skipped"]),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(entries, max_size=3), min_size=1, max_size=6))
def test_rows_are_about_the_boards_that_their_entries_are_about(
    tmp_path_factory: pytest.TempPathFactory, looks: list[list[dict[str, Any]]]
) -> None:
    """The rules by which a board is known are the same for a million rows and for one entry."""
    told = Told()
    for number, stated in enumerate(looks):
        boards = []
        for one in stated:
            more = {key: one[key] for key in ("position", "state") if one[key] and one["panel"]}
            names = [*([one["own"]] if one["own"] else ()), *one["others"]]
            boards.append(board(*names, panel=one["panel"], **more))
        told.inspects("aoi", f"09:{number:02}:00", f"09:{number:02}:20", *boards)
    store = MemoryStore()
    recorded(store, told.facts)
    record = open_with(store.reader, tmp_path_factory.mktemp("rows") / "index.db")
    upto = record.as_of().number
    rows = stream(record.index.path, "said", upto)
    by_rows, by_entry = Boards(record.index, upto), Boards(record.index, upto)
    place, code = by_rows.of_rows(rows, words(record.index.path))
    for fact in told.facts:
        by_entry.named(fact.data)  # positions are learned as they are met
    found: dict[int, set[tuple[str, str, int | None]]] = {}
    for where, one in zip(place.tolist(), code.tolist(), strict=True):
        found.setdefault(int(rows["number"][where]), set()).add(called(by_rows, one))
    for fact in told.facts:
        assert found.get(fact.number, set()) == {called(by_entry, one) for one in by_entry.named(fact.data)}
    known = set(found_keys(by_rows)) & set(found_keys(by_entry))
    assert known == set(found_keys(by_rows))
    assert {by_rows.key(one) for one in by_rows.crossed_out} == {
        by_entry.key(one) for one in by_entry.crossed_out
    }
    assert {by_rows.key(one) for one in by_rows.doubtful} <= {by_entry.key(one) for one in by_entry.doubtful}
    assert by_rows.positions.tolist() == [by_rows.position(one) or 0 for one in range(len(by_rows))]
    panels_of = [by_rows.panel(one) for one in range(len(by_rows))]
    assert len(set(by_rows.panels.tolist())) >= len(set(panels_of))
    record.index.close()


def called(boards: Boards, code: int) -> tuple[str, str, int | None]:
    return boards.key(code), boards.panel(code), boards.position(code)


def found_keys(boards: Boards) -> list[str]:
    return [boards.key(code) for code in range(len(boards))]

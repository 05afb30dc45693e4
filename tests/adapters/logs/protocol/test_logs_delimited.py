"""Several kinds of record in one delimited file, and what happens when it is not as stated."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from broker_bridge.adapters.logs.protocol.delimited import DelimitedReader
from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal, digest_of

Found = list[NativeRecord | Refused]


def settings(*records: dict[str, Any], **stated: Any) -> Delimited:
    base = {"kind": "delimited", "encoding": "utf-8", "delimiter": ";", "decimal": ",", "quote": ""}
    return Delimited.model_validate(base | stated | {"records": list(records)})


def read(stated: Delimited, data: bytes, cut: int = 10**9) -> Found:
    reader = DelimitedReader(stated)
    found: Found = []
    for at in range(0, len(data), cut):
        reader.receive_data(data[at : at + cut])
        while not isinstance(item := reader.next_record(), Signal):
            found.append(item)
    reader.receive_data(b"")
    while not isinstance(item := reader.next_record(), Signal):
        found.append(item)
    return found


def told(found: Found) -> list[tuple[str, Any]]:
    return [
        (item.kind, dict(item.fields)) if isinstance(item, NativeRecord) else (f"!{item.code}", item.kind)
        for item in found
    ]


HEADER = {"kind": "header", "layout": "pairs"}
BOARD = {"kind": "board", "header": True, "columns": ["Pos", "Result"]}
PAD = {"kind": "pad", "header": True, "columns": ["Pos", "Pad", "Vol"]}
FILE = settings(HEADER, BOARD, PAD, comment="#")
GOOD = b"Panel;P1\nSide;T\n# remark\nOrder;W;\n\nPos;Result\n1;OK\n2;NG\nPos;Pad;Vol\n1;A1;9,5\n"


@pytest.mark.parametrize("cut", [1, 2, 3, 1000])
def test_a_header_block_and_two_tables_found_by_their_header_lines(cut: int) -> None:
    found = read(FILE, GOOD, cut)
    assert told(found) == [
        ("header", {"Panel": "P1", "Side": "T", "Order": "W"}),
        ("board", {"Pos": "1", "Result": "OK"}),
        ("board", {"Pos": "2", "Result": "NG"}),
        ("pad", {"Pos": "1", "Pad": "A1", "Vol": "9,5"}),
    ]
    header, first, *_ = found
    assert header.raw == b"Panel;P1\nSide;T\n# remark\nOrder;W;\n"
    assert isinstance(first, NativeRecord)
    assert (first.line, first.place("Result")) == (7, "line 7, column 2 (Result)")
    assert all(GOOD[item.position : item.end] == item.raw for item in found)


def test_headings_begin_sections() -> None:
    stated = settings(
        {"kind": "header", "layout": "pairs", "heading": "[Panel]"},
        {"kind": "board", "heading": "[Boards]", "columns": ["Pos", "Result"]},
        {"kind": "pad", "heading": "[Pads]", "header": True, "columns": ["Pos", "Pad"]},
    )
    data = b"junk\n[Panel]\nPanel;P1\n[Boards]\n1;OK\n\n[Pads]\nPos;Pad\n1;A1\n[Panel]\nPanel;P2\n"
    assert told(read(stated, data)) == [
        ("!unknown_kind", None),
        ("header", {"Panel": "P1"}),
        ("board", {"Pos": "1", "Result": "OK"}),
        ("pad", {"Pos": "1", "Pad": "A1"}),
        ("header", {"Panel": "P2"}),
    ]


def test_blank_lines_begin_sections() -> None:
    stated = settings(
        {"kind": "header", "layout": "pairs"},
        {"kind": "board", "after_blank": True, "columns": ["Pos", "Result"]},
        {"kind": "pad", "after_blank": True, "columns": ["Pos", "Pad"]},
    )
    assert told(read(stated, b"Panel;P1\n\n\n1;OK\n2;OK\n\n1;A1\n")) == [
        ("header", {"Panel": "P1"}),
        ("board", {"Pos": "1", "Result": "OK"}),
        ("board", {"Pos": "2", "Result": "OK"}),
        ("pad", {"Pos": "1", "Pad": "A1"}),
    ]


def test_tags_tell_kinds_apart() -> None:
    stated = settings(
        {"kind": "header", "layout": "pairs", "tag": "H"},
        {"kind": "board", "tag": "B", "columns": ["Pos", "Result"]},
        {"kind": "pad", "tag": "P", "columns": ["Pos", "Pad"]},
    )
    assert told(read(stated, b"H;Panel;P1\nH;Side;T\nB;1;OK\nP;1;A1\nX;1\nB;1\nH;Panel;P2\n")) == [
        ("header", {"Panel": "P1", "Side": "T"}),
        ("board", {"Pos": "1", "Result": "OK"}),
        ("pad", {"Pos": "1", "Pad": "A1"}),
        ("!unknown_kind", None),
        ("!columns", "board"),
        ("header", {"Panel": "P2"}),
    ]


def test_preamble_trailer_comments_and_trailing_delimiters() -> None:
    stated = settings(
        {"kind": "row", "columns": ["a", "b"]},
        preamble=2,
        comment="#",
        trailer="END",
        trailing_delimiter=True,
    )
    reader = DelimitedReader(stated)
    assert not reader.complete
    assert told(read(stated, b"Title\nmade by hand\n# x\n1;2;\nEND;1\n3;4\n")) == [
        ("row", {"a": "1", "b": "2"}),
        ("row", {"a": "3", "b": "4"}),
    ]


def test_a_trailer_makes_content_complete() -> None:
    stated = settings({"kind": "row", "columns": ["a"]}, trailer="END")
    for data, complete in [(b"1\nEND\n", True), (b"1\n", False), (b"1\nEND\n2\n", False), (b"", False)]:
        reader = DelimitedReader(stated)
        reader.receive_data(data)
        reader.receive_data(b"")
        while reader.next_record() is not Signal.END:
            pass
        assert reader.complete is complete, data


@pytest.mark.parametrize(
    ("header", "place", "value"),
    [
        (b"Pos;Outcome", "line 1, column 2", "Outcome"),
        (b"Result;Pos", "line 1, column 1", "Result"),
        (b"Pos", "line 1", None),
        (b"Pos;Result;Extra", "line 1", "Extra"),
    ],
)
def test_a_changed_header_refuses_its_section_as_a_whole(
    header: bytes, place: str, value: str | None
) -> None:
    stated = settings(BOARD, {"kind": "pad", "heading": "[Pads]", "columns": ["Pos"]})
    data = header + b"\n1;OK\n\n2;NG\n[Pads]\n7\n"
    refused, pad = read(stated, data)
    assert isinstance(refused, Refused)
    assert (refused.code, refused.kind, refused.place, refused.value) == ("header", "board", place, value)
    assert refused.raw == data[: data.index(b"[Pads]")]
    assert refused.digest == digest_of(refused.raw)
    assert isinstance(pad, NativeRecord)


def test_a_header_of_free_order_needs_its_columns() -> None:
    stated = settings({"kind": "row", "header": True, "needs": ["Pos", "Result"]})
    assert told(read(stated, b"Result;Pos;New\nOK;1;x\n")) == [
        ("row", {"Result": "OK", "Pos": "1", "New": "x"})
    ]
    (refused,) = read(stated, b"Result;New\nOK;x\n")
    assert isinstance(refused, Refused)
    assert "'Pos'" in refused.reason
    (twice,) = read(stated, b"Pos;Result;Pos\n1;OK;2\n")
    assert isinstance(twice, Refused)
    assert "twice" in twice.reason


def test_a_header_line_met_again_is_no_row() -> None:
    assert told(read(settings(BOARD), b"Pos;Result\n1;OK\nPos;Result\n2;OK\n")) == [
        ("board", {"Pos": "1", "Result": "OK"}),
        ("board", {"Pos": "2", "Result": "OK"}),
    ]


def test_rows_with_another_number_of_columns_are_refused() -> None:
    stated = settings({"kind": "row", "columns": ["a", "b", "c"]})
    assert told(read(stated, b"1;2\n1;2;3\n1;2;3;4\n")) == [
        ("!columns", "row"),
        ("row", {"a": "1", "b": "2", "c": "3"}),
        ("!columns", "row"),
    ]
    short = settings({"kind": "row", "columns": ["a", "b", "c"]}, short_rows="absent")
    assert told(read(short, b"1;2\n1;2;3;4\n")) == [("row", {"a": "1", "b": "2"}), ("!columns", "row")]


def test_a_key_that_stands_twice_spoils_its_block() -> None:
    (refused, board) = read(FILE, b"Panel;P1\nPanel;P2\nPos;Result\n1;OK\n")
    assert isinstance(refused, Refused)
    assert (refused.code, refused.kind, refused.place, refused.value) == (
        "pairs",
        "header",
        "line 2",
        "Panel",
    )
    assert isinstance(board, NativeRecord)


def test_an_unreadable_line_in_a_header_block_spoils_what_is_around_it() -> None:
    data = b"Panel;P1\nOperator;M\xfcller\nSide;T\nPos;Result\n1;OK\n"
    found = told(read(FILE, data))
    assert found == [
        ("header", {"Panel": "P1"}),
        ("!encoding", "header"),
        ("!incomplete", "header"),
        ("board", {"Pos": "1", "Result": "OK"}),
    ]


def test_an_unreadable_line_that_may_be_a_heading_leaves_the_section_unknown() -> None:
    stated = settings(
        {"kind": "board", "heading": "[Größe]", "columns": ["Pos", "Result"]},
        {"kind": "pad", "heading": "[Pads]", "columns": ["Pos", "Pad"]},
    )
    data = "[Größe]\n1;OK\n".encode() + b"[Gr\xf6\xdfe]\n2;OK\n3;OK\n[Pads]\n1;A\n"
    assert told(read(stated, data)) == [
        ("board", {"Pos": "1", "Result": "OK"}),
        ("!encoding", None),
        ("!unknown_kind", None),
        ("pad", {"Pos": "1", "Pad": "A"}),
    ]


def test_an_unreadable_row_of_a_section_is_only_a_row() -> None:
    found = read(FILE, b"Panel;P1\nPos;Result\n1;\xff\n2;OK\n")
    assert told(found)[1:] == [("!encoding", "board"), ("board", {"Pos": "2", "Result": "OK"})]


def test_a_multi_character_delimiter() -> None:
    stated = settings({"kind": "row", "columns": ["a", "b"]}, delimiter="||")
    assert told(read(stated, b"1||2\n")) == [("row", {"a": "1", "b": "2"})]


@pytest.mark.parametrize(
    ("records", "stated", "told_of"),
    [
        ([{"kind": "a"}], {}, "columns"),
        ([{"kind": "file", "columns": ["x"]}], {}, "file"),
        ([{"kind": "a", "columns": ["x", "x"]}], {}, "twice"),
        (
            [{"kind": "a", "columns": ["x"]}, {"kind": "b", "columns": ["y"]}],
            {},
            "nothing tells where 'b' begins",
        ),
        ([{"kind": "a", "columns": ["x"], "tag": "T"}, {"kind": "b", "columns": ["y"]}], {}, "tag"),
        ([{"kind": "a", "columns": ["x"]}], {"delimiter": "||", "quote": '"'}, "quote"),
        ([{"kind": "a", "columns": ["x"]}], {"encoding": "utf-7"}, "utf-7"),
        ([{"kind": "a", "layout": "pairs", "columns": ["x"]}], {}, "pairs"),
    ],
)
def test_settings_that_cannot_work_are_refused(
    records: list[dict[str, Any]], stated: dict[str, Any], told_of: str
) -> None:
    with pytest.raises(ValidationError, match=told_of.replace("|", r"\|")):
        settings(*records, **stated)


pieces = st.sampled_from(
    [b"Panel;P1\n", b"Pos;Result\n", b"Pos;Pad;Vol\n", b"1;OK\n", b"1;A;2\n", b"\n", b"#\n", b"\xff\n", b"\xff;\n",
     b"a\x00\n", b"END\n", b"x" * 70 + b"\n", b"junk", b"\r\n", b";"]
)  # fmt: skip
MIXED = settings(HEADER, BOARD, PAD, comment="#", trailer="END", max_record_bytes=64)
TAGGED = settings(
    {"kind": "p", "layout": "pairs", "tag": "Panel"},
    {"kind": "b", "tag": "1", "columns": ["r"]},
    max_record_bytes=64,
)


@given(st.lists(pieces, max_size=25).map(b"".join), st.integers(1, 30), st.sampled_from([MIXED, TAGGED]))
def test_any_cut_gives_the_same_records_in_order_and_without_overlap(
    data: bytes, cut: int, stated: Delimited
) -> None:
    whole = read(stated, data)
    assert read(stated, data, cut) == whole
    position = 0
    for item in whole:
        assert position <= item.position < item.end <= len(data)
        position = item.end
        raw = data[item.position : item.end]
        if isinstance(item, NativeRecord):
            assert item.raw == raw
        else:
            assert (item.size, item.digest) == (len(raw), digest_of(raw))
            assert raw.startswith(item.raw)


@given(st.binary(max_size=300), st.sampled_from([MIXED, TAGGED, FILE]))
def test_any_bytes_give_records_or_refusals(data: bytes, stated: Delimited) -> None:
    assert all(isinstance(item, NativeRecord | Refused) for item in read(stated, data, 7))


@pytest.mark.parametrize("bad", [b'Operator;"M\n', b'Operator;"M"x;1\n'])
def test_a_misquoted_line_in_a_header_block_spoils_the_rest_of_the_block(bad: bytes) -> None:
    """Half a block must not pass for a whole one: the key that tells the board may be in the other half."""
    for stated in (
        settings(HEADER, BOARD, quote='"'),
        settings(
            {"kind": "header", "layout": "pairs", "tag": "H"},
            {"kind": "b", "tag": "B", "columns": ["x"]},
            quote='"',
        ),
    ):
        tag = b"H;" if stated.records[0].tag else b""
        data = tag + b"Panel;P1\n" + tag + bad + tag + b"Side;T\n"
        found = told(read(stated, data))
        assert found[0] == ("header", {"Panel": "P1"})
        assert found[1][0] == "!quoting"
        assert found[2] == ("!incomplete", "header")

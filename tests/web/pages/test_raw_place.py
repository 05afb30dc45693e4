"""Raw bytes with the one place marked that a refusal names."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.web.pages.raw_place import Layout, RawView, raw_view

CELLS = st.lists(st.sampled_from(["1", "12", "", "x", "01"]), min_size=3, max_size=6)


def marked(view: RawView) -> list[tuple[int, int, str]]:
    """Line of what is shown, characters before it, and the text of each mark."""
    found = []
    for number, line in enumerate(view.lines):
        at = 0
        for piece in line:
            if piece.marked:
                found.append((number, at, piece.text))
            at += len(piece.text)
    return found


def whole(view: RawView) -> str:
    return "\n".join("".join(piece.text for piece in line) for line in view.lines)


@given(st.lists(CELLS, min_size=1, max_size=4), st.sampled_from(",;\t|"), st.data())
def test_of_all_that_look_alike_only_the_named_cell_is_marked(
    rows: list[list[str]], sign: str, data: st.DataObject
) -> None:
    row = data.draw(st.integers(0, len(rows) - 1))
    column = data.draw(st.integers(0, len(rows[row]) - 1))
    text = "\n".join(sign.join(cells) for cells in rows)
    view = raw_view(
        text.encode(), f"line {row + 5}, column {column + 1} (X)", rows[row][column], first=5,
        layout=Layout("utf-8", sign),
    )  # fmt: skip
    assert whole(view) == text
    before = len(sign.join([*rows[row][:column], ""]))
    value = rows[row][column]
    if value:
        assert (view.marks, marked(view)) == ("value", [(row, before, value)])
    else:
        assert view.marks == "line"
        assert marked(view) == [(row, 0, sign.join(rows[row]))]


ROWS = b"HEAD,AOI,1,12\r\nROW,1,12,1\r\n"


@pytest.mark.parametrize(
    ("raw", "place", "value", "first", "marks", "found"),
    [
        (ROWS, "line 3, column 4 (Lane)", "1", 2, "value", [(1, 9, "1")]),
        (b'a;"x;1";1\n', "line 1, column 3 (C)", "1", 1, "value", [(0, 8, "1")]),
        (b'a;"x\ny";1\n', "line 1, column 3 (C)", "1", 1, "value", [(1, 3, "1")]),
        (b"a; 1 ;12\n", "line 1, column 2 (B)", "1", 1, "value", [(0, 3, "1")]),
        (ROWS, "line 3, Order", None, 2, "line", [(1, 0, "ROW,1,12,1")]),
        (ROWS, "line 2", "1", 2, "value", [(0, 9, "1")]),
        (b"1,1\n1,1", "line 2", "1", 1, "line", [(1, 0, "1,1")]),
        (b"serial=1 lane=12\n", "line 4, lane", "12", 4, "value", [(0, 14, "12")]),
        (b"ab\x00cd\n", "line 1, character 3", "'ab\\x00cd'", 1, "value", [(0, 2, "\x00")]),
        (ROWS, "line 9, column 1 (X)", "HEAD", 2, "nothing", []),
        (b'{"name": 1, "other": 12}', "MessageName", "1", None, "value", [(0, 9, "1")]),
        (b'{"name": 1, "other": 1}', "MessageName", "1", None, "nothing", []),
        (b"a;b", None, None, None, "nothing", []),
        (b"a,b;1\n", "line 1, column 2 (B)", "b", 1, "value", [(0, 2, "b")]),
    ],
)  # fmt: skip
def test_the_place_is_marked_else_its_line_else_nothing(
    raw: bytes, place: str, value: str, first: int, marks: str, found: list[tuple[int, int, str]]
) -> None:
    view = raw_view(raw, place, value, first=first)
    assert (view.marks, marked(view)) == (marks, found)


def test_a_mapping_that_changed_since_does_not_hide_the_place() -> None:
    view = raw_view(b"a,12,1\n", "line 1, column 3 (C)", "1", first=1, layout=Layout("utf-8", ";"))
    assert marked(view) == [(0, 5, "1")]


def test_a_code_page_is_read_as_the_mapping_states_it() -> None:
    raw = "Pr\u00fcfung;5 \u20ac;NG\r\n".encode("cp1252")
    view = raw_view(raw, "line 1, column 3 (R)", "NG", first=1, layout=Layout("cp1252", ";"))
    assert (view.encoding, view.stated, marked(view)) == ("cp1252", True, [(0, 12, "NG")])
    assert whole(view) == "Pr\u00fcfung;5 \u20ac;NG\n"
    view = raw_view(raw, None, None)
    assert (view.encoding, view.stated, "\u20ac" in whole(view)) == ("cp1252", False, True)
    raw = "\u6a5f\u68b0;NG\n".encode("cp932")
    view = raw_view(raw, "line 1, column 2 (R)", "NG", first=1, layout=Layout("cp932", ";"))
    assert (view.encoding, whole(view)) == ("cp932", "\u6a5f\u68b0;NG\n")


def test_the_byte_that_is_none_of_the_encoding_is_marked() -> None:
    """The refusal states the encoding that does not fit; so do its line and byte."""
    view = raw_view(
        b"Pr\xfcfung \x80;NG\n",
        "line 7, byte 9 of the line",
        "b'...'",
        first=7,
        layout=Layout("utf-8", ";"),
    )
    assert (view.marks, marked(view)) == ("value", [(0, 11, "\\x80")])


def test_bytes_that_are_no_text_are_dumped() -> None:
    view = raw_view(bytes(range(64)) * 100, "line 1", "NG", first=1)
    assert (view.encoding, view.left_out, view.marks) == ("bytes", 64 * 100 - 2048, "nothing")
    assert view.lines[1][0].text.startswith("00000010  10 11")


def test_the_place_is_shown_however_far_behind_it_is() -> None:
    raw = b"".join(b"row %d;x\n" % n for n in range(5000))
    view = raw_view(raw, "line 4001, column 1 (Row)", "row 4000", first=1)
    assert [text for _, _, text in marked(view)] == ["row 4000"]
    assert sum(len(piece.text) for line in view.lines for piece in line) <= 20_000
    assert view.left_out > 0

"""Raw bytes with the refused value marked."""

from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.web.pages.raw_place import raw_view


@given(st.text(alphabet="ab;\n", max_size=40), st.text(alphabet="ab;", min_size=1, max_size=3))
def test_the_text_stays_whole_and_the_value_is_marked_wherever_it_stands(text: str, value: str) -> None:
    view = raw_view(text.encode(), value)
    assert "\n".join("".join(piece.text for piece in line) for line in view.lines) == text
    assert sum(piece.marked for line in view.lines for piece in line) == view.found == text.count(value)


def test_a_code_page_is_read_and_bytes_are_dumped() -> None:
    view = raw_view("Pr\u00fcfung;NG\r\n".encode("latin-1"), "NG")
    assert (view.encoding, view.found) == ("latin-1", 1)
    view = raw_view(bytes(range(64)) * 100, "NG")
    assert (view.encoding, view.left_out) == ("bytes", 64 * 100 - 2048)
    assert view.lines[1][0].text.startswith("00000010  10 11")


def test_a_value_that_does_not_stand_there_is_said() -> None:
    assert raw_view(b"a;b", "c").found == 0
    assert raw_view(b"a;b", None).found == 0

"""Lines of bytes: where they end, what their bytes are, and what is refused."""

import codecs
import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.logs.protocol.lines import Line, Lines, encoding_name
from broker_bridge.adapters.logs.protocol.record import Refused, Signal


def read(lines: Lines, data: bytes, cut: int = 10**9) -> list[Line | Refused]:
    found: list[Line | Refused] = []
    for at in range(0, len(data), cut):
        lines.receive_data(data[at : at + cut])
        while not isinstance(item := lines.next_line(), Signal):
            found.append(item)
        assert item is Signal.NEED_DATA
    lines.receive_data(b"")
    while not isinstance(item := lines.next_line(), Signal):
        found.append(item)
    assert item is Signal.END
    return found


def texts(items: list[Line | Refused]) -> list[str]:
    return [item.text if isinstance(item, Line) else f"<{item.code}>" for item in items]


def test_hazard_24_only_the_line_end_ends_a_line() -> None:
    # str.splitlines() would cut at each of these: VT, FF, FS, GS, RS, NEL, LS, PS, and a lone CR.
    inside = "a\x0bb\x0cc\x1cd\x1de\x1ef\x85g\u2028h\u2029i\rj"
    data = f"{inside}\r\nnext\n".encode()
    assert texts(read(Lines("utf-8"), data)) == [inside, "next"]


def test_one_carriage_return_belongs_to_the_line_end() -> None:
    assert texts(read(Lines("ascii"), b"a\r\r\nb\r\n")) == ["a\r", "b"]


def test_another_line_end_can_be_stated() -> None:
    assert texts(read(Lines("ascii", "\r"), b"a\rb\nc\r")) == ["a", "b\nc"]
    assert texts(read(Lines("ascii", "\r\n"), b"a\r\nb\nc\r\n", cut=1)) == ["a", "b\nc"]


def test_hazard_21_a_byte_order_mark_is_dropped_at_the_start_and_counted_inside() -> None:
    lines = Lines("utf-8")
    data = codecs.BOM_UTF8 + b"first\n" + codecs.BOM_UTF8 + b"joined\n"
    found = read(lines, data)
    assert texts(found) == ["first", "joined"]
    assert lines.marks_inside == 1
    assert b"".join(line.raw for line in found) == data, "the marks stay part of the raw bytes"


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("cut", [1, 3, 1000])
def test_hazard_22_utf_16_is_cut_by_code_unit(encoding: str, cut: int) -> None:
    # U+0A00 and U+000A hold the byte 0x0A in either half; a search for the byte would cut inside them.
    text = "\u0a00\u0a0a\u010a;x\r\n\u0a0d\n"
    found = read(Lines(encoding), text.encode(encoding), cut)
    assert texts(found) == ["\u0a00\u0a0a\u010a;x", "\u0a0d"]
    assert [line.position for line in found] == [0, len("\u0a00\u0a0a\u010a;x\r\n".encode(encoding))]


@pytest.mark.parametrize("mark", [codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE])
def test_utf_16_takes_its_byte_order_from_the_mark(mark: bytes) -> None:
    encoding = "utf-16-le" if mark == codecs.BOM_UTF16_LE else "utf-16-be"
    assert texts(read(Lines("utf-16"), mark + "a\nb\n".encode(encoding))) == ["a", "b"]


def test_utf_16_without_its_mark_is_refused_and_not_guessed() -> None:
    (first, second) = read(Lines("utf-16"), "a\nb\n".encode("utf-16-le"))
    assert isinstance(first, Refused)
    assert "without a byte order mark" in first.reason
    assert isinstance(second, Refused)


def test_hazard_23_bytes_that_are_not_of_the_encoding_refuse_their_line_only() -> None:
    data = b"good\nM\xfcller\nagain\n"
    found = read(Lines("utf-8"), data)
    assert texts(found) == ["good", "<encoding>", "again"]
    refused = found[1]
    assert isinstance(refused, Refused)
    assert refused.raw == b"M\xfcller\n"
    assert (refused.position, refused.line) == (5, 2)
    assert refused.place == "line 2, byte 2 of the line"
    assert "xfc" in (refused.value or "")
    assert texts(read(Lines("cp1252"), data)) == ["good", "Müller", "again"]


def test_a_foreign_byte_order_mark_is_named() -> None:
    (refused, *_) = read(Lines("utf-8"), codecs.BOM_UTF16_LE + "a\n".encode("utf-16-le"))
    assert isinstance(refused, Refused)
    assert "byte order mark of utf-16" in refused.reason


def test_hazard_19_nul_bytes_refuse_their_line() -> None:
    found = read(Lines("ascii"), b"a\n\x00\x00\x00\nb\n")
    assert texts(found) == ["a", "<nul>", "b"]


def test_hazard_28_an_oversize_line_is_refused_with_offset_size_and_hash_and_reading_goes_on() -> None:
    long = b"x" * 100_000 + b"\n"
    data = b"a\n" + long + b"b\n"
    for cut in (1, 777, 10**9):
        lines = Lines("ascii", limit=1000)
        found = read(lines, data, cut)
        assert texts(found) == ["a", "<oversize>", "b"]
        refused = found[1]
        assert isinstance(refused, Refused)
        assert (refused.position, refused.size, refused.line) == (2, len(long), 2)
        assert refused.digest == hashlib.sha256(long).hexdigest()
        assert len(refused.raw) == 4096


def test_an_oversize_line_is_not_kept_in_memory() -> None:
    lines = Lines("ascii", limit=1000)
    for _ in range(100):
        lines.receive_data(b"x" * 10_000)
        assert lines.next_line() is Signal.NEED_DATA
        assert lines.held_bytes <= 10_000 + 4096


def test_hazard_07_tiny_and_empty_content() -> None:
    assert read(Lines("utf-8"), b"") == []
    assert texts(read(Lines("utf-8"), b"x")) == ["x"]
    assert texts(read(Lines("utf-8"), b"\n")) == [""]
    assert texts(read(Lines("utf-16"), b"x")) == ["<encoding>"]
    assert texts(read(Lines("utf-8"), b"y" * 63, cut=1)) == ["y" * 63]


def test_hazard_09_the_last_line_needs_no_line_end() -> None:
    found = read(Lines("utf-8"), b"a\nb")
    assert [(line.text, line.terminated) for line in found if isinstance(line, Line)] == [
        ("a", True),
        ("b", False),
    ]


@pytest.mark.parametrize("name", ["utf-7", "hz", "iso2022_jp", "cp037", "utf-8-sig", "nonsense", "utf-32"])
def test_encodings_that_cannot_be_cut_into_lines_are_refused_by_name(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        encoding_name(name)


@pytest.mark.parametrize(
    "name", ["UTF8", "latin1", "windows-1252", "Shift_JIS", "gb18030", "UTF-16LE", "cp437"]
)
def test_usual_encodings_are_known_by_any_name(name: str) -> None:
    assert codecs.lookup(encoding_name(name)).name == codecs.lookup(name).name


bodies = st.lists(
    st.sampled_from(
        [b"a", b"\n", b"\r", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"0123456789" * 12, b"\x0a\x00", b"\xc3"]
    ),
    max_size=30,
).map(b"".join)


@given(bodies, st.integers(1, 40), st.sampled_from(["utf-8", "utf-16", "utf-16-le", "cp1252", "cp932"]))
def test_any_cut_gives_the_same_lines_and_every_byte_is_accounted_for(
    data: bytes, cut: int, encoding: str
) -> None:
    whole = read(Lines(encoding, limit=64), data)
    assert read(Lines(encoding, limit=64), data, cut) == whole
    position = 0
    for item in whole:
        assert item.position == position
        position = item.end
    assert position == len(data)

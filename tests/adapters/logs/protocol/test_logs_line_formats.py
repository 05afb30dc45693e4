"""Free text, key=value, fixed width, INI-like blocks and records of many lines."""

import configparser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from broker_bridge.adapters.logs.protocol.readers import READERS, AnyReader, open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal, digest_of

ADAPTER: TypeAdapter[Any] = TypeAdapter(AnyReader)
Found = list[NativeRecord | Refused]


def settings(kind: str, *records: dict[str, Any], **stated: Any) -> Any:
    return ADAPTER.validate_python({"kind": kind, "encoding": "utf-8", "records": list(records)} | stated)


def read(stated: Any, data: str | bytes, cut: int = 10**9) -> Found:
    raw = data.encode() if isinstance(data, str) else data
    reader = open_reader(stated)
    found: Found = []
    for at in range(0, len(raw), cut):
        reader.receive_data(raw[at : at + cut])
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


# -- free text

TEXT = [
    {"kind": "alarm", "pattern": r"^(?P<time>\S+ \S+) ALARM (?P<code>\d+)(?: (?P<text>.*))?$"},
    {"kind": "state", "pattern": r"state=(?P<state>\w+)"},
]


def test_lines_of_free_text_are_told_by_the_first_pattern_that_matches() -> None:
    stated = settings("text", *TEXT, unmatched="refuse")
    log = "2026-03-02 06:00 ALARM 17 state=down\n\nnow state=up\n2026-03-02 06:00 ALARM 18\nchatter\n"
    assert told(read(stated, log)) == [
        ("alarm", {"time": "2026-03-02 06:00", "code": "17", "text": "state=down"}),
        ("state", {"state": "up"}),
        ("alarm", {"time": "2026-03-02 06:00", "code": "18", "text": None}),
        ("!unknown_kind", None),
    ]
    assert len(read(settings("text", *TEXT, unmatched="skip"), log)) == 3


def test_patterns_take_time_only_by_the_length_of_the_line() -> None:
    """A pattern that keeps other engines busy for years; RE2 has no back-tracking."""
    stated = settings("text", {"kind": "x", "pattern": r"^(?P<a>(?:a|aa)+)+$"}, unmatched="refuse")
    assert told(read(stated, "a" * 5000 + "b\n")) == [("!unknown_kind", None)]


@pytest.mark.parametrize("pattern", ["(?P<a>", "(?P<a>x)(?=y)", "no group"])
def test_patterns_that_cannot_be_used_are_refused(pattern: str) -> None:
    with pytest.raises(ValidationError, match=r"pattern|group"):
        settings("text", {"kind": "x", "pattern": pattern}, unmatched="skip")


# -- key=value

PAIRS = [{"kind": "board", "needs": ["panel", "pos"]}, {"kind": "state", "where": {"event": "state"}}]


def test_pairs_with_lead_quotes_and_blanks() -> None:
    stated = settings("key_value", *PAIRS, comment="#")
    log = '# x\n2026-03-02 06:00 INFO panel=P1 pos=3 note="said ""ok"" = good" empty= last=4\nevent=state to=run\n'
    assert told(read(stated, log)) == [
        ("board", {"lead": "2026-03-02 06:00 INFO", "panel": "P1", "pos": "3", "note": 'said "ok" = good',
                   "empty": "", "last": "4"}),
        ("state", {"event": "state", "to": "run"}),
    ]  # fmt: skip


def test_pairs_with_a_separator_may_hold_blanks() -> None:
    stated = settings("key_value", {"kind": "x"}, separator=";", assign=":")
    assert told(read(stated, "panel: P 1 ; note: a b;last:\n")) == [
        ("x", {"panel": "P 1", "note": "a b", "last": ""})
    ]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("no pairs", "holds no key=value"),
        ("a=1 a=2", "stands twice"),
        ('a="open', "stands behind the value"),
        ('a="x"y', "stands behind the value"),
        ("a=1 b", "a pair was expected"),
        ("c=1", "fits none of the kinds"),
        ("=1", "holds no key=value"),
    ],
)
def test_pairs_that_cannot_be_read_are_refused(line: str, reason: str) -> None:
    (refused,) = read(settings("key_value", *PAIRS), line + "\n")
    assert isinstance(refused, Refused)
    assert reason in refused.reason


def test_long_lines_of_pairs_take_linear_time() -> None:
    stated = settings("key_value", {"kind": "x"})
    for text in ("a" * 400_000, "a " * 200_000, 'a="' + "x" * 400_000, "a=" * 100_000):
        read(stated, text + "\n")


# -- fixed width

FIXED = [
    {"kind": "board", "tag": "B", "columns": {"pos": [2, 3], "code": [5, 8], "result": [13, 4]}},
    {"kind": "row", "columns": {"text": [1, 5]}},
]


def test_columns_at_fixed_characters() -> None:
    stated = settings("fixed", *FIXED, preamble=1, comment="--")
    text = "Report\n-- x\nB  1ÄÖÜ-0001OK\nB  2        NG  and more\nB  3\nhello world\n"
    assert told(read(stated, text)) == [
        ("board", {"pos": "  1", "code": "ÄÖÜ-0001", "result": "OK"}),
        ("board", {"pos": "  2", "code": "        ", "result": "NG  "}),
        ("!columns", "board"),
        ("row", {"text": "hello"}),
    ]


def test_only_the_last_kind_of_fixed_rows_may_have_no_tag() -> None:
    with pytest.raises(ValidationError, match="only the last"):
        settings("fixed", *reversed(FIXED))


# -- INI

INI = [{"kind": "panel", "section": "Panel"}, {"kind": "board", "section": "Board (?P<pos>[0-9]+)"}]
INI_TEXT = (
    "; made by hand\n[Panel]\nCode = P1\n# x\nSide=top\n\n[Board 1]\nResult=OK\n[Board 2]\nResult=NG=x\n"
)


def test_sections_are_records() -> None:
    found = read(settings("ini", *INI), INI_TEXT, cut=3)
    assert told(found) == [
        ("panel", {"Code": "P1", "Side": "top"}),
        ("board", {"pos": "1", "Result": "OK"}),
        ("board", {"pos": "2", "Result": "NG=x"}),
    ]
    assert all(INI_TEXT.encode()[item.position : item.end] == item.raw for item in found)


def test_sections_are_read_as_configparser_reads_them() -> None:
    """The standard library's reader as reference."""
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(INI_TEXT)
    stated = settings("ini", {"kind": "any", "section": ".*"})
    assert [dict(item.fields) for item in read(stated, INI_TEXT) if isinstance(item, NativeRecord)] == [
        dict(parser[name]) for name in parser.sections()
    ]


def test_sections_that_cannot_be_used_are_refused_as_a_whole() -> None:
    text = b"x=1\n[Other]\na=1\n[Panel]\na=1\na=2\n[Board 1]\nb\n[Board 2]\na=\xff\nb=2\n[Board 3]\nc=3\n"
    found = read(settings("ini", *INI), text)
    assert told(found) == [
        ("!unknown_kind", None),
        ("!unknown_kind", None),
        ("!pairs", "panel"),
        ("!syntax", "board"),
        ("!incomplete", "board"),
        ("!encoding", None),
        ("!incomplete", "board"),
        ("board", {"pos": "3", "c": "3"}),
    ]
    assert sum(item.size if isinstance(item, Refused) else len(item.raw) for item in found) == len(text)


# -- records of many lines

BLOCKS = [
    {
        "kind": "board",
        "begins": r"^BEGIN (?P<panel>\S+)/(?P<pos>\d+)",
        "ends": r"^END(?: (?P<result>\w+))?",
        "lines": [r"^operator: (?P<operator>.*)", r"^note: (?P<note>.*)"],
        "records": [{"kind": "call", "pattern": r"^\s+(?P<at>[A-Z]+\d+) (?P<label>.+)$"}],
    }
]
BLOCK = "BEGIN P1/3\noperator: op7\nnote: a\nnote: b\n  R1 shifted\nchatter\n  C2 missing\nEND NG\n"


def test_blocks_with_fields_and_inner_records() -> None:
    found = read(settings("blocks", *BLOCKS), BLOCK + "\n" + BLOCK, cut=5)
    board, first, second = found[:3]
    fields = {"panel": "P1", "pos": "3", "operator": "op7", "note": ["a", "b"], "result": "NG"}
    assert told(found)[0] == ("board", fields)
    assert isinstance(first, NativeRecord)
    assert isinstance(second, NativeRecord)
    assert isinstance(board, NativeRecord)
    assert (first.fields["at"], first.fields["label"], first.fields["^"]) == ("R1", "shifted", fields)
    assert board.raw == BLOCK.encode()
    assert board.position < first.position < second.position < board.end
    assert len(found) == 6


def test_a_block_without_end_is_refused_and_the_content_incomplete() -> None:
    reader = open_reader(settings("blocks", *BLOCKS))
    reader.receive_data((BLOCK + BLOCK[:40]).encode())
    reader.receive_data(b"")
    found: Found = []
    while not isinstance(item := reader.next_record(), Signal):
        found.append(item)
    assert told(found)[-1] == ("!incomplete", "board")
    assert not reader.complete


def test_blocks_may_end_where_the_next_begins() -> None:
    stated = settings(
        "blocks", {"kind": "b", "begins": r"^== (?P<n>\d+)", "lines": [r"x=(?P<x>\d+)"]}, outside="skip"
    )
    assert told(read(stated, "head\n== 1\nx=5\n== 2\n== 3\nx=6\n")) == [
        ("b", {"n": "1", "x": "5"}), ("b", {"n": "2"}), ("b", {"n": "3", "x": "6"}),
    ]  # fmt: skip


def test_blocks_that_cannot_be_used() -> None:
    text = b"out\nBEGIN P1/1\n\xff\nEND\n" + b"BEGIN P1/2\n" + b"x\n" * 100 + b"END\n" + BLOCK.encode()
    found = read(settings("blocks", *BLOCKS, max_record_bytes=120), text)
    assert told(found)[:3] == [("!unknown_kind", None), ("!encoding", "board"), ("!oversize", "board")]
    assert isinstance(found[3], NativeRecord)
    assert sum(item.size for item in found if isinstance(item, Refused)) == len(text) - len(BLOCK)


# -- all of them

ALL = [
    settings("text", *TEXT, unmatched="refuse", max_record_bytes=64),
    settings("key_value", *PAIRS, max_record_bytes=64),
    settings("fixed", *FIXED, max_record_bytes=64),
    settings("ini", *INI, max_record_bytes=64),
    settings("blocks", *BLOCKS, max_record_bytes=64),
]
pieces = st.sampled_from(
    [b"BEGIN P1/3\n", b"END NG\n", b"  R1 shifted\n", b"[Panel]\n", b"[x]\n", b"a=1\n", b"panel=1 pos=2\n", b"B  1code\n",
     b"\n", b"\xff\n", b"\xff=1\n", b"\x00\n", b"x" * 70 + b"\n", b"junk", b'"', b";\n", b"state=up\n"]
)  # fmt: skip


@given(st.lists(pieces, max_size=25).map(b"".join), st.integers(1, 30), st.sampled_from(ALL))
def test_any_cut_gives_the_same_and_refusals_hold_their_bytes(data: bytes, cut: int, stated: Any) -> None:
    whole = read(stated, data)
    assert read(stated, data, cut) == whole
    for item in whole:
        raw = data[item.position : item.end]
        if isinstance(item, NativeRecord):
            assert item.raw == raw
        else:
            assert (item.size, item.digest) == (len(raw), digest_of(raw))


@given(st.binary(max_size=200), st.sampled_from(ALL))
def test_any_bytes_give_records_or_refusals(data: bytes, stated: Any) -> None:
    assert all(isinstance(item, NativeRecord | Refused) for item in read(stated, data, 9))


def test_the_table_of_readers_covers_the_settings() -> None:
    kinds = {stated.__name__ for stated in READERS}
    union: Any = AnyReader
    assert kinds == {each.__name__ for each in union.__args__[0].__args__}

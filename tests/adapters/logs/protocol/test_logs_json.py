"""JSON documents and lines, with Python's json module as the reference reader."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.logs.protocol.json_reader import JsonDocument, JsonLines
from broker_bridge.adapters.logs.protocol.json_text import path_of
from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal

Found = list[NativeRecord | Refused]
PANEL = [
    {"kind": "panel"},
    {"kind": "board", "path": "boards[]"},
    {"kind": "call", "path": "boards[].calls[]"},
]


def document(records: list[dict[str, Any]] | None = None, **stated: Any) -> JsonDocument:
    return JsonDocument.model_validate({"kind": "json", "records": records or [{"kind": "doc"}]} | stated)


def lines(records: list[dict[str, Any]] | None = None, **stated: Any) -> JsonLines:
    return JsonLines.model_validate({"kind": "json_lines", "records": records or [{"kind": "doc"}]} | stated)


def read(stated: JsonDocument | JsonLines, data: bytes, cut: int = 10**9) -> tuple[Found, bool]:
    reader = open_reader(stated)
    found: Found = []
    for at in range(0, len(data), cut):
        reader.receive_data(data[at : at + cut])
        while not isinstance(item := reader.next_record(), Signal):
            found.append(item)
    reader.receive_data(b"")
    while not isinstance(item := reader.next_record(), Signal):
        found.append(item)
    return found, reader.complete


TEXT = """{
 "panel": "P1", "side": null, "é": "ü",
 "boards": [
  {"pos": 1, "calls": [{"at": "R1", "pin": 01}]}
 ]
}"""


def test_objects_at_paths_are_records_with_their_place_and_what_is_around_them() -> None:
    data = TEXT.replace("01", "1").encode()
    found, complete = read(document(PANEL), data, cut=5)
    assert complete
    panel, board, call = found
    assert [item.kind for item in found] == ["panel", "board", "call"]
    assert all(data[item.position : item.end] == item.raw for item in found)
    assert isinstance(call, NativeRecord)
    assert isinstance(board, NativeRecord)
    assert isinstance(panel, NativeRecord)
    assert (panel.line, board.line, call.line) == (1, 4, 4)
    around: Any = call.fields["^"]
    assert (call.fields["at"], around["pos"]) == ("R1", "1")
    assert board.fields["^"] is panel.fields
    assert json.loads(call.raw) == {"at": "R1", "pin": 1}


def test_what_is_no_json_is_refused_with_line_and_character() -> None:
    ((refused,), complete) = read(document(PANEL), TEXT.encode())
    assert isinstance(refused, Refused)
    assert complete, "the fault is not that it stops early"
    assert refused.place == "line 4, character 45"
    assert refused.raw == TEXT.encode()


@pytest.mark.parametrize(
    "text",
    ['{"a": 1', '{"a": "x', "[1, 2", '{"a"', "[", '{"a": tru'],
)
def test_a_document_that_stops_early_is_incomplete(text: str) -> None:
    ((refused,), complete) = read(document(), text.encode())
    assert isinstance(refused, Refused)
    assert not complete


def test_documents_may_follow_each_other() -> None:
    found, complete = read(document(), b'{"a": "1"}\n{"a": "2"} {"a": "3"}')
    assert [item.fields["a"] for item in found if isinstance(item, NativeRecord)] == ["1", "2", "3"]
    assert [item.position for item in found] == [0, 11, 22]
    assert complete


def test_numbers_stay_letter_for_letter() -> None:
    ((record,), _) = read(
        document(), b'{"id": 26319044800520102844, "v": 98.30, "w": -1E-7, "t": true, "n": null}'
    )
    assert isinstance(record, NativeRecord)
    assert record.fields == {"id": "26319044800520102844", "v": "98.30", "w": "-1E-7", "t": "true", "n": None}


def test_kinds_at_one_path_are_told_apart_by_their_texts() -> None:
    stated = lines([{"kind": "start", "where": {"type": "S"}}, {"kind": "end", "where": {"type": "E"}}])
    found, _ = read(stated, b'{"type": "S"}\n{"type": "E"}\n{"type": "X"}\n')
    assert [item.kind for item in found] == ["start", "end"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"a": 1, "a": 2}', "twice"),
        ('{"a": NaN}', "begins no value"),
        ('{"a": 01}', "comma"),
        ('{"a": .5}', "begins no value"),
        ('{"a": 1,}', "comma stands before"),
        ("{'a': 1}", "double quotes"),
        ('{"a": "\\ud800"}', "no character"),
        ('{"a": "\\u0000"}', "NUL"),
        ('{"a": "\t"}', "control character"),
        ('{"a": "\\x"}', "no character"),
        ("[" * 200 + "]" * 200, "deep"),
        ('{"a": 1} x', "more stands behind"),
    ],
)
def test_what_readers_disagree_about_is_refused(text: str, told: str) -> None:
    found, _ = read(lines(), text.encode() + b'\n{"good": "1"}\n')
    refused, good = found
    assert isinstance(refused, Refused)
    assert told in refused.reason
    assert isinstance(good, NativeRecord)


def test_lines_keep_bytes_and_places() -> None:
    data = '\ufeff{"é": [{"x": "1"}]}\r\n\n{"é": [{"x": "2"}, {"x": "3"}]}\n'.encode()
    found, _ = read(lines([{"kind": "x", "path": "é[]"}]), data, cut=3)
    assert [item.raw for item in found] == [b'{"x": "1"}', b'{"x": "2"}', b'{"x": "3"}']
    assert all(data[item.position : item.end] == item.raw for item in found)
    assert [item.line for item in found] == [1, 3, 3]


def test_a_document_beyond_the_limit_is_refused_and_not_kept() -> None:
    data = b'{"a": "' + b"x" * 100_000 + b'"}'
    ((refused,), _) = read(document(max_document_bytes=1000), data, cut=500)
    assert isinstance(refused, Refused)
    assert (refused.code, refused.size) == ("oversize", len(data))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "cp1252"])
def test_encodings(encoding: str) -> None:
    data = '{"a": "é"}'.encode(encoding)
    ((record,), _) = read(document(encoding=encoding), data)
    assert isinstance(record, NativeRecord)
    assert record.fields == {"a": "é"}
    assert data[record.position : record.end] == record.raw
    ((refused,), _) = read(document(), b'{"a": "\xe9"}')
    assert isinstance(refused, Refused)
    assert refused.code == "encoding"


@pytest.mark.parametrize("path", ["a..b", "[", "a[]b", ".a", "a[0]"])
def test_paths_that_are_none(path: str) -> None:
    with pytest.raises(ValueError, match="no path"):
        path_of(path)


def texted(value: Any) -> Any:
    """A value as json gives it -> as this reader does: every leaf a text."""
    if isinstance(value, dict):
        return {key: texted(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [texted(inner) for inner in value]
    return {True: "true", False: "false"}.get(value, value) if isinstance(value, bool) else value


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8)
values = st.recursive(
    st.one_of(st.none(), st.booleans(), texts), lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3)
)  # fmt: skip


@given(st.dictionaries(texts, values, max_size=4), st.booleans(), st.integers(1, 50))
def test_documents_are_read_as_json_reads_them(value: dict[str, Any], ascii_only: bool, cut: int) -> None:
    data = json.dumps(value, ensure_ascii=ascii_only, indent=1).encode()
    ((record,), complete) = read(document(), data, cut)
    assert isinstance(record, NativeRecord)
    assert complete
    assert record.fields == texted(value)
    assert (record.position, record.end) == (0, len(data))


@given(st.text(st.sampled_from('{}[]":,0a\\ \n-.'), max_size=30))
def test_what_json_refuses_is_refused_as_well(text: str) -> None:
    found, _ = read(lines(), text.replace("\n", " ").encode() + b"\n")
    try:
        value = json.loads(text.replace("\n", " "))
    except ValueError:
        assert not found or isinstance(found[0], Refused)
    else:
        if isinstance(value, dict) and found:
            assert isinstance(found[0], NativeRecord) or "twice" in found[0].reason


@given(st.binary(max_size=100), st.integers(1, 20))
def test_any_bytes_give_records_or_refusals(data: bytes, cut: int) -> None:
    for stated in (document(PANEL), lines(PANEL), document(encoding="utf-16")):
        assert read(stated, data, cut) == read(stated, data)

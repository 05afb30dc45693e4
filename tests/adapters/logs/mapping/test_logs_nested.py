"""Records inside records: JSON, XML and blocks through a mapping file."""

from typing import Any

import pytest
from logs_reading import mapping, rejected, statements, takings

from broker_bridge.errors import ConfigError

JSON_READER = """
[reader]
kind = "json"
records = [
    { kind = "panel" },
    { kind = "board", path = "boards[]" },
    { kind = "call", path = "boards[].calls[]" },
]
"""
XML_READER = """
[reader]
kind = "xml"
records = [
    { kind = "panel", path = "/panel" },
    { kind = "board", path = "/panel/boards/board" },
    { kind = "call", path = "/panel/boards/board/calls/call" },
]
"""
BLOCKS_READER = """
[reader]
kind = "blocks"
encoding = "utf-8"
records = [
    { kind = "board", begins = "^board (?P<code>\\\\w+) at (?P<end>\\\\S+) (?P<result>\\\\w+)", records = [
        { kind = "call", pattern = "^  (?P<part>\\\\w+) (?P<label>\\\\w+)" },
    ] },
]
"""

FIELDS = """
name = "nested"
revision = 1
zone = "UTC"

[fields.board]
code = "CODE"
outcome = { column = "RESULT", table = "outcomes" }
end = { column = "END", type = "time", format = "iso", means = "end", required = true }

[fields.call]
at = "AT"
label = { column = "LABEL", required = true }
board = "^.CODE"

[tables.outcomes]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"

[group]
per = "file"

[[event]]
type = "inspection.completed"
each = "board"
time = "$end"
[event.data]
method = "optical"
outcome = "$outcome"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
calls = { each = "call", inside = true, item = { key = "$call.board", label = "$label", place = { designator = "$at" } } }
"""

JSON_TEXT = """{"end": "2026-03-02T06:00:00", "boards": [
  {"id": {"code": "B1"}, "result": "OK", "calls": []},
  {"id": {"code": "B2"}, "result": "NG", "calls": [{"part": "R1", "why": "shifted"}, {"part": "C2", "why": "missing"}]}
]}"""
XML_TEXT = """<panel><end>2026-03-02T06:00:00</end><boards>
  <board result="OK"><id><code>B1</code></id><calls/></board>
  <board result="NG"><id><code>B2</code></id>
    <calls><call part="R1">shifted</call><call part="C2">missing</call></calls></board>
</boards></panel>"""
BLOCK_TEXT = """board B1 at 2026-03-02T06:00:00 OK
board B2 at 2026-03-02T06:00:00 NG
  R1 shifted
  C2 missing
"""


def toml(reader: str, **columns: str) -> str:
    text = FIELDS.replace("[fields.board]", reader + "\n[fields.board]", 1)
    for name, column in columns.items():
        text = text.replace(f'"{name}"', f'"{column}"').replace(f'"^.{name}"', f'"^.{column}"')
    return text


CASES = [
    pytest.param(
        toml(JSON_READER, CODE="id.code", RESULT="result", END="^.end", AT="part", LABEL="why"), JSON_TEXT, id="json"
    ),
    pytest.param(
        toml(XML_READER, CODE="id.code", RESULT="@result", END="^.end", AT="@part", LABEL="#text"), XML_TEXT, id="xml"
    ),
    pytest.param(
        toml(BLOCKS_READER, CODE="code", RESULT="result", END="end", AT="part", LABEL="label"), BLOCK_TEXT, id="blocks"
    ),
]  # fmt: skip


@pytest.mark.parametrize(("text", "content"), CASES)
def test_inner_records_belong_to_the_record_they_lie_in(text: str, content: str) -> None:
    found: list[Any] = [statement.data for statement in statements(text, content)]
    assert [
        (
            data.boards[0].identifiers[0].value,
            data.outcome,
            [(c.key, c.place.designator, c.label) for c in data.calls],
        )
        for data in found
    ] == [("B1", "passed", []), ("B2", "failed", [("B2", "R1", "shifted"), ("B2", "C2", "missing")])]


@pytest.mark.parametrize(("text", "content"), CASES)
def test_records_stand_for_themselves_as_well(text: str, content: str) -> None:
    single = text.replace('[group]\nper = "file"\n', "").replace(
        'calls = { each = "call", inside = true, item = { key = "$call.board", label = "$label", place = { designator'
        ' = "$at" } } }',
        "",
    )
    first, second = takings(single, content)
    for taking in (first, second):
        raw = taking.statements[0].data.origin.raw
        assert raw is not None
        assert raw.offset == taking.position
        assert raw.archived is not None


def test_what_is_nested_is_no_text() -> None:
    text = toml(JSON_READER, CODE="id", RESULT="result", END="^.end", AT="part", LABEL="why")
    content = JSON_TEXT.replace(', "result": "NG"', ', "result": "OK"')
    data = statements(text, content)[0].data
    assert (data.code, data.place) == ("nested", "line 2, id")  # type: ignore[attr-defined]


def test_elements_of_lists_can_be_named() -> None:
    text = toml(JSON_READER, CODE="ids.1", RESULT="result", END="end", AT="part", LABEL="why")
    content = '{"boards": [{"ids": ["a", "b"], "result": "OK", "end": "2026-03-02T06:00:00"}]}'
    (statement,) = statements(text, content)
    assert statement.subject == "b"


def test_a_document_that_is_none_is_rejected() -> None:
    data = rejected(CASES[0].values[0], JSON_TEXT[:-10])  # type: ignore[arg-type]
    assert (data.code, data.origin.raw is not None) == ("syntax", True)
    assert "incomplete" not in data.origin.flags


def test_columns_that_no_pattern_gives_are_refused() -> None:
    with pytest.raises(ConfigError, match="kind board has no column 'kode'; is 'code' meant"):
        mapping(toml(BLOCKS_READER, CODE="kode", RESULT="result", END="end", AT="part", LABEL="label"))

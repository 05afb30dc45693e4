"""Records that belong together: what holds, what is grouped, and what a bad record does to its group."""

from typing import Any

import pytest
from logs_reading import mapping, reading, statements, takings

from broker_bridge.adapters.base import Taking
from broker_bridge.events.columns import unpack_numbers, unpack_texts
from broker_bridge.events.inspection import InspectionCompleted
from broker_bridge.events.source import SourceRejected

HEAD = """
name = "panel"
revision = 1
zone = "UTC"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [
    { kind = "head", tag = "H", columns = ["panel", "end"] },
    { kind = "board", tag = "B", columns = ["pos", "result", "pads"] },
    { kind = "pad", tag = "P", columns = ["pos", "name", "volume"] },
]

[group]
GROUP
holds = ["head"]

[fields.head]
panel = "panel"
end = { column = "end", type = "time", format = "iso", means = "end" }

[fields.board]
pos = { column = "pos", type = "integer" }
result = { column = "result", table = "results", required = true }
pads = { column = "pads", type = "integer" }

[fields.pad]
pos = { column = "pos", type = "integer" }
name = "name"
volume = { column = "volume", type = "number", unit = "%" }

[tables.results]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"
"""

EVENTS = """
[[event]]
type = "inspection.completed"
each = "board"
time = "$end"

[event.data]
method = "paste"
outcome = "$result"
boards = [{ panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$pos" }]
calls = { each = "pad", same = ["pos"], item = { place = { pad = "$name" }, label = "low" } }
coverage = { inspected = { count = "pad", same = ["pos"] } }

[[event]]
type = "reading.paste_measured"
each = "board"
time = "$end"

[event.data]
boards = [{ panel = { kind = "panel", value = "$head.panel", how = "read" }, machine_position = "$board.pos" }]

[event.block]
each = "pad"
same = ["pos"]
columns = { pad = "$name", volume = "$volume" }
"""

ONE = "H;P1;2026-03-02T06:00:00\n"
GOOD = ONE + "B;1;OK;2\nB;2;NG;1\nP;1;a;90.5\nP;2;b;40\nP;1;c;91\n"


def panel(group: str = 'per = "file"', events: str = EVENTS) -> str:
    return HEAD.replace("GROUP", group) + events


def told(found: list[Taking]) -> list[Any]:
    out = []
    for taking in found:
        for statement in taking.statements:
            data = statement.data
            if isinstance(data, SourceRejected):
                out.append(("rejected", data.code, taking.position))
            elif isinstance(data, InspectionCompleted):
                where = data.boards[0].machine_position if data.boards else None
                out.append((statement.subject, where, data.outcome, [call.place.pad for call in data.calls]))
    return out


def test_a_file_becomes_one_taking_with_all_its_events() -> None:
    (taking,) = takings(panel(), GOOD)
    assert taking.position == 0
    assert [statement.data.TYPE for statement in taking.statements] == [
        "inspection.completed", "inspection.completed", "reading.paste_measured", "reading.paste_measured",
    ]  # fmt: skip
    assert {statement.data.origin.events for statement in taking.statements} == {4}
    assert told([taking]) == [("P1", "1", "passed", ["a", "c"]), ("P1", "2", "failed", ["b"])]
    block: Any = taking.statements[2].data
    assert block.pads == 2
    assert unpack_texts(block.columns[0]) == ["a", "c"]
    assert unpack_numbers(block.columns[1]).tolist() == [90.5, 91.0]
    assert block.columns[1].unit == "%"
    raw = taking.statements[0].data.origin.raw
    assert raw is not None
    assert (raw.size, raw.hash) == (len(GOOD), raw.archived)


def test_blocks_follow_each_other() -> None:
    text = GOOD + GOOD.replace("P1", "P2").replace("B;2;NG;1\n", "").replace("P;2;b;40\n", "")
    first, second = takings(panel('per = "block"\nbegins = "head"'), text)
    assert told([first, second]) == [
        ("P1", "1", "passed", ["a", "c"]), ("P1", "2", "failed", ["b"]), ("P2", "1", "passed", ["a", "c"]),
    ]  # fmt: skip
    assert second.position == len(GOOD)


def test_records_are_grouped_by_key_wherever_they_stand() -> None:
    events = """
[[event]]
type = "inspection.completed"
time = "$end"
[event.data]
method = "paste"
outcome = "failed"
boards = [{ panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$pos" }]
calls = { each = "pad", item = { place = { pad = "$name" }, label = "low" } }
"""
    text = ONE + "P;1;a;1\nP;2;b;2\nP;1;c;3\nP;;d;4\n"
    found = takings(panel('per = "key"\nby = ["pos"]', events), text)
    assert told(found) == [
        ("rejected", "group", len(ONE) + 24),
        ("P1", "1", "failed", ["a", "c"]),
        ("P1", "2", "failed", ["b"]),
    ]
    raw = found[1].statements[0].data.origin.raw
    assert raw is not None
    assert (raw.size, raw.offset, raw.line) == (16, len(ONE), 2)
    assert found[1].statements[0].data.origin.flags == ("incomplete",), "the stray row may have been its"


def test_a_bad_record_rejects_its_group() -> None:
    text = GOOD.replace("P;2;b;40", "P;2;b;###")
    assert told(takings(panel(), text)) == [
        ("rejected", "number", text.index("P;2;b")),
        ("rejected", "group", 0),
    ]


def test_a_bad_record_may_flag_its_group_instead() -> None:
    text = GOOD.replace("P;2;b;40", "P;2;b;###")
    found = takings(panel('per = "file"\nbad_rows = "flag"'), text)
    assert told(found) == [
        ("rejected", "number", text.index("P;2;b")), ("P1", "1", "passed", ["a", "c"]), ("P1", "2", "failed", []),
    ]  # fmt: skip
    assert {statement.data.origin.flags for statement in found[1].statements} == {("incomplete",)}


@pytest.mark.parametrize("bad", ["H;P2;soon\n", "H;P2\n", "?;P2;x\n", "\x00H;P2;2026-03-02T06:00:00\n"])
@pytest.mark.parametrize("rule", ["reject", "flag"])
def test_records_never_get_the_board_of_another_header(bad: str, rule: str) -> None:
    """A header that cannot be used, or a line that may have been one, must not leave the last one in force."""
    text = GOOD + bad + "B;1;NG;0\n"
    found = told(takings(panel(f'per = "block"\nbegins = "head"\nbad_rows = "{rule}"'), text))
    assert ("P1", "1", "failed", []) not in found
    assert all(
        kind == "rejected" or outcome != "failed" or where == "2" for kind, where, outcome, *_ in found
    )


def test_without_groups_a_record_under_a_bad_header_is_rejected() -> None:
    events = '[[event]]\ntype = "inspection.completed"\neach = "board"\ntime = "$end"\n[event.data]\n' + (
        'method = "paste"\noutcome = "$result"\n'
        'boards = [{ panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$pos" }]'
    )
    text = ONE + "B;1;OK;0\nH;P2;soon\nB;1;NG;0\nH;P3;2026-03-02T07:00:00\nB;1;NG;0\n"
    assert told(takings(panel('per = "row"', events), text)) == [
        ("P1", "1", "passed", []),
        ("rejected", "time", 34),
        ("rejected", "header", 44),
        ("P3", "1", "failed", []),
    ]


def test_records_that_belong_to_no_board_reject_the_group() -> None:
    text = GOOD + "P;7;z;1\n"
    (taking,) = takings(panel(), text)
    data = taking.statements[0].data
    assert isinstance(data, SourceRejected)
    assert data.code == "orphan"
    assert data.place == "line 7"
    assert "pos 7" in data.reason


def test_two_headers_in_one_file_are_never_mixed() -> None:
    events = '[[event]]\ntype = "inspection.completed"\ntime = "$end"\n[event.data]\nmethod = "paste"\noutcome = "failed"\n'
    (taking,) = takings(panel(events=events), GOOD + ONE.replace("P1", "P2"))
    data = taking.statements[0].data
    assert isinstance(data, SourceRejected)
    assert data.code == "ambiguous_header"


def test_checks_hold_stated_numbers_against_the_records() -> None:
    check = '[[check]]\neach = "board"\nfield = "$pads"\nequals = { count = "pad", same = ["pos"] }\n'
    assert len(takings(panel(events=check + EVENTS), GOOD)[0].statements) == 4
    (taking,) = takings(panel(events=check + EVENTS), GOOD.removesuffix("P;1;c;91\n"))
    data = taking.statements[0].data
    assert isinstance(data, SourceRejected)
    assert (data.code, data.value) == ("count", "2")
    assert "states 2 records of kind pad, but there are 1" in data.reason


def test_a_group_that_gives_nothing_is_rejected_unless_that_is_allowed() -> None:
    (taking,) = takings(panel(), ONE)
    assert told([taking]) == [("rejected", "silent", 0)]
    assert takings(panel('per = "file"\nsilent = "allow"'), ONE) == []


def test_a_group_beyond_its_limit_is_rejected_with_every_byte() -> None:
    found = takings(panel('per = "file"\nmax_rows = 3'), GOOD)
    assert told(found) == [("rejected", "oversize", 0), ("rejected", "oversize", GOOD.index("P;1;a"))]
    rest = found[1].statements[0].data.origin.raw
    assert rest is not None
    assert rest.size == len(GOOD) - GOOD.index("P;1;a")


def test_lists_that_an_event_needs() -> None:
    events = EVENTS.split('[[event]]\ntype = "reading')[0].replace(
        'time = "$end"', 'time = "$end"\nneeds = ["calls"]'
    )
    assert told(takings(panel(events=events), ONE + "B;1;OK;0\nB;2;NG;1\nP;2;b;40\n")) == [
        ("P1", "2", "failed", ["b"])
    ]


def test_filters_select_records() -> None:
    events = EVENTS.replace('each = "board"\ntime', 'each = "board"\nwhen = { result = ["failed"] }\ntime')
    assert told(takings(panel(events=events), GOOD)) == [("P1", "2", "failed", ["b"])]
    events = EVENTS.replace('same = ["pos"], item', 'same = ["pos"], unless = { name = ["a"] }, item')
    assert told(takings(panel(events=events), GOOD))[0] == ("P1", "1", "passed", ["c"])


def test_counters_tell_what_became_of_the_records() -> None:
    found = reading(panel(), GOOD + "X;1\n")
    list(found)
    assert found.counters == {
        "records.head": 1, "records.board": 2, "records.pad": 3, "groups": 1, "events": 0, "rejected": 2,
    }  # fmt: skip


def test_events_are_the_same_for_every_reading() -> None:
    compiled = mapping(panel())
    assert takings(compiled, GOOD) == takings(compiled, GOOD)
    assert (
        statements(compiled, GOOD)[0].data.model_dump_json()
        == statements(compiled, GOOD)[0].data.model_dump_json()
    )

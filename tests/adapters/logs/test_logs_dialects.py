"""The requirement word by word: one invented dialect for each thing that readers and mapping files have to know.

What a phrase asks for beyond these is tested where it is made; here every phrase meets a file it has never seen.
"""

import gzip
from datetime import UTC, datetime
from typing import Any

import pytest
import zstandard
from logs_reading import mapping, statements

from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.errors import ConfigError
from broker_bridge.events.source import SourceRejected

REPORT = """
name = "report with a head of its own, two kinds of rows and a footer"
revision = 1
zone = "+02:00"

[reader]
kind = "delimited"
encoding = "ENCODING"
delimiter = "~"
decimal = ","
quote = "'"
comment = "%"
preamble = 2
trailer = "== end"
behind_trailer = "skip"

[[reader.records]]
kind = "head"
layout = "pairs"
assign = ": "

[[reader.records]]
kind = "board"
header = true
columns = ["Nutzen", "Ergebnis", "Zeit"]

[[reader.records]]
kind = "value"
header = true
columns = ["Nutzen", "Größe", "Wert"]

[group]
per = "file"
holds = ["head"]

[fields.head]
program = "Programm"
part = { column = "Teil", match = "^([A-Z]+-[0-9]+)" }

[fields.board]
position = { column = "Nutzen", type = "integer" }
outcome = { column = "Ergebnis", table = "outcomes" }
time = { column = "Zeit", type = "time", format = "%d.%m.%y %H:%M:%S", means = "end" }

[fields.value]
position = { column = "Nutzen", type = "integer" }
name = "Größe"
value = { column = "Wert", type = "number", scale = 25.4, unit = "um", range = [0, 500] }

[tables.outcomes]
values = { gut = "passed", schlecht = "failed" }
otherwise = "reject"

[[positions]]
part = "HW-77"
side = "top"
order = { 0 = 2, 1 = 1 }

[[event]]
type = "inspection.completed"
each = "board"
time = "$time"
[event.data]
method = "optical"
outcome = "$outcome"
program = { name = "$program" }
part = { number = "$part" }
side = "top"
boards = [{ unit = "board", machine_position = "$position" }]
calls = { each = "value", same = ["position"], item = { label = "out", place = {}, values = [{ name = "$name", value = "$value", unit = "um" }] } }
"""  # fmt: skip
TEXT = """Bericht der Anlage 7
--------------------
Programm: kante~oben
Teil: HW-77 (rev C)
% Bemerkung
Nutzen~Ergebnis~Zeit
0~gut~02.03.26 08:00:00
1~schlecht~02.03.26 08:00:09
Nutzen~Größe~Wert
1~'Höhe ~ links'~1,5
== end of data
Summe: 2 'nicht geschlossen
Unterschrift
"""

ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "iso8859-15"]


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("pack", [bytes, gzip.compress, zstandard.compress])
def test_delimited_with_all_its_habits_in_any_encoding_and_packing(encoding: str, pack: Any) -> None:
    stated = "utf-8" if encoding == "utf-8-sig" else encoding
    content = pack(TEXT.encode(encoding))
    first, second = statements(REPORT.replace("ENCODING", stated), decompressed(content, 10**6))
    assert first.time == datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    assert first.data.program.name == "kante~oben"  # type: ignore[attr-defined]
    assert [one.data.boards[0].position for one in (first, second)] == [2, 1]
    (call,) = second.data.calls  # type: ignore[attr-defined]
    assert (call.values[0].name, call.values[0].value) == ("Höhe ~ links", 38.1)


def test_the_wrong_encoding_is_told_and_never_guessed() -> None:
    found = statements(REPORT.replace("ENCODING", "utf-8"), TEXT.encode("cp1252"))
    assert all(isinstance(one.data, SourceRejected) for one in found)
    assert {one.data.code for one in found} >= {"encoding"}  # type: ignore[attr-defined]


def test_a_line_of_the_head_without_its_sign_rejects_the_head() -> None:
    found = statements(REPORT.replace("ENCODING", "utf-8"), TEXT.replace("Teil: HW", "Teil HW").encode())
    assert [getattr(one.data, "code", "") for one in found] == ["syntax", "group"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('trailer = "== end"\n', "", "`behind_trailer` goes with `trailer`"),
        ('header = true\ncolumns = ["Nutzen", "Ergebnis", "Zeit"]', 'assign = ":"\ncolumns = ["A"]', "goes with layout"),
        ("zone = \"+02:00\"", "", "states no zone"),
        ('"%d.%m.%y %H:%M:%S"', '"%d.%m.%y"', "needs year, month, day and hour"),
        ("outcomes]", "outcome]", "is no table"),
    ],
)  # fmt: skip
def test_errors_name_the_line_and_what_would_be_right(old: str, new: str, told: str) -> None:
    with pytest.raises(ConfigError, match=r"test\.toml, line \d+") as caught:
        mapping(REPORT.replace("ENCODING", "utf-8").replace(old, new))
    assert told in str(caught.value) or "there is no table" in str(caught.value)


NAMED = """
name = "station, lane, side and part from the file's name; both times of a visit; a shared computer"
revision = 3
zone = "Europe/Berlin"
placeholders = ["LEER"]

[validity]
since = 2026-01-01
until = 2027-01-01

[reader]
kind = "fixed"
encoding = "ascii"
[[reader.records]]
kind = "visit"
tag = "V"
columns = { Code = [2, 10], In = [12, 6], Out = [18, 6], How = [24, 1] }

[file]
pattern = '(?P<station>m[12])_(?P<lane>[ab])_(?P<side>[tb])_(?P<part>[^_]+)_(?P<day>\\d{8})\\.log'

[fields.file]
station = { table = "stations" }
lane = { type = "integer", table = "lanes" }
side = { table = "sides" }
day = { type = "date", format = "%Y%m%d" }

[fields.visit]
code = { column = "Code" }
how = { column = "How", table = "how", required = true }
entered = { column = "In", type = "clock", format = "%H%M%S" }
left = { column = "Out", type = "clock", format = "%H%M%S" }

[derived.visit]
started = { day = "$file.day", clock = "$entered", means = "start" }
ended = { day = "$started", clock = "$left", means = "end" }

[tables.stations]
values = { m1 = "place-1", m2 = "place-2" }
otherwise = "reject"
[tables.lanes]
values = { a = "1", b = "2" }
otherwise = "reject"
[tables.sides]
values = { t = "top", b = "bottom" }
otherwise = "reject"
[tables.how]
values = { S = "read", K = "typed" }
otherwise = "reject"

[[event]]
type = "work.completed"
each = "visit"
time = "$ended"
[event.data]
station = "$file.station"
lane = "$file.lane"
side = "$file.side"
part = { number = "$file.part" }
started = "$started"
outcome = "unknown"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "$how" }] }]

[[event]]
type = "board.departed"
each = "visit"
time = "$ended"
[event.data]
station = "$file.station"
how = "transferred"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "$how" }] }]
"""


def test_place_and_part_from_the_name_and_two_events_from_one_record() -> None:
    text = "VHB00000017" + "235950" + "000012" + "K" + "\n" + "VLEER      " + "080000" + "080010" + "S" + "\n"
    done, gone, other, _ = statements(NAMED, text, "m2_b_t_HW-9_20260302.log")
    data: Any = done.data
    assert (data.TYPE, data.station, data.lane, data.side) == ("work.completed", "place-2", 2, "top")
    assert data.part.number == "HW-9"
    assert data.boards[0].identifiers[0].how == "typed"
    assert data.started == datetime(2026, 3, 2, 22, 59, 50, tzinfo=UTC)
    assert done.time == gone.time == datetime(2026, 3, 2, 23, 0, 12, tzinfo=UTC)
    assert "counted_day" in data.origin.flags
    assert other.data.boards[0].identifiers == ()
    assert "placeholder_identifier" in other.data.origin.flags


def test_a_day_in_the_files_name_is_counted_on_over_midnight() -> None:
    text = "".join(
        f"VHB0000001{n}{clock}{clock}S\n" for n, clock in enumerate(("220000", "013000", "031500"))
    )
    times = [
        one.time
        for one in statements(NAMED, text, "m1_a_t_HW-9_20260302.log")
        if one.data.TYPE == "board.departed"
    ]
    assert times == [
        datetime(2026, 3, 2, 21, 0, tzinfo=UTC),
        datetime(2026, 3, 3, 0, 30, tzinfo=UTC),
        datetime(2026, 3, 3, 2, 15, tzinfo=UTC),
    ]


def test_outside_of_its_validity_a_mapping_rejects() -> None:
    text = "VHB00000017080000080010S\n"
    (one,) = statements(NAMED, text, "m2_b_t_HW-9_20280302.log")
    assert isinstance(one.data, SourceRejected)
    assert one.data.code == "validity"


XML = """
name = "nested document with namespaces and repeated children"
revision = 1

[reader]
kind = "xml"
namespaces = { t = "urn:harbour:test" }
[[reader.records]]
kind = "unit"
path = "/t:run/t:unit"

[fields.unit]
code = "@code"
time = { column = "@at", type = "time", format = "iso", means = "saved" }
bad = { column = "bad", list = " " }

[[event]]
type = "inspection.completed"
each = "unit"
time = "$time"
[event.data]
method = "visual"
outcome = { cases = [{ field = "$count", at_most = 0, gives = "passed" }], otherwise = "failed" }
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
calls = { items = "$bad", item = { label = "bad", place = { designator = "$item" } } }
"""


def test_repeated_children_are_a_list() -> None:
    toml = XML.replace("bad = {", 'count = { column = "@n", type = "integer" }\nbad = {')
    text = (
        '<run xmlns="urn:harbour:test"><unit code="B1" n="2" at="2026-03-02T08:00:00Z"><bad>R1</bad><bad>R2</bad></unit>'
        '<unit code="B2" n="0" at="2026-03-02T08:00:05+01:00"/></run>'
    )
    first, second = statements(toml, text)
    assert [call.place.designator for call in first.data.calls] == ["R1", "R2"]  # type: ignore[attr-defined]
    assert (first.data.outcome, second.data.outcome) == ("failed", "passed")  # type: ignore[attr-defined]
    assert first.data.origin.zone_basis == "stated"

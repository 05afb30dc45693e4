"""A column becomes a typed value, or its record is rejected with place, value and reason."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logs_reading import mapping, only, rejected, rows, statements, takings

from broker_bridge.events.inspection import InspectionCompleted
from broker_bridge.events.source import SourceRejected


def measured(field: str, text: str, value: str = "value", unit: str = "um") -> Any:
    """The measurement that a field of one row becomes; the field reads column X."""
    call = f'calls = [{{ place = {{}}, label = "x", values = [{{ name = "m", {value} = "$x", unit = "{unit}" }}] }}]'
    toml = rows(columns='"X"', fields=f"x = {field}", extra=call)
    data = only(toml, f"2026-03-02 06:00:00;B1;NG;{text}\n")
    if isinstance(data, SourceRejected):
        return data
    assert isinstance(data, InspectionCompleted)
    return data.calls[0].values[0] if data.calls and data.calls[0].values else None


NUMBER = '{ column = "X", type = "number", unit = "um" }'


@pytest.mark.parametrize(
    ("field", "text", "expected"),
    [
        (NUMBER, "98,3", 98.3),
        (NUMBER, " -0,5e3 ", -500.0),
        (NUMBER, ",5", 0.5),
        ('{ column = "X", type = "number", decimal = "." }', "98.3", 98.3),
        ('{ column = "X", type = "number", thousands = "." }', "1.234.567,8", 1234567.8),
        ('{ column = "X", type = "number", thousands = "." }', "123,8", 123.8),
        # 100.475 * 0.001 is 0.10047500000000001 in binary floats; scaling is done in decimals.
        ('{ column = "X", type = "number", scale = 0.001, unit = "mm" }', "100,475", 0.100475),
        ('{ column = "X", type = "number", scale = 25.4, unit = "um" }', "1,5", 38.1),
        ('{ column = "X", type = "integer" }', "-12", -12),
        ('{ column = "X", type = "integer", scale = 1000 }', "12", 12000),
        ('{ column = "X", type = "number", range = [0, 100] }', "100", 100.0),
        ('{ column = "X", match = "H=(\\\\d+)", type = "number" }', "a H=12 b", 12.0),
        ('{ column = "X", split = "/", part = 2, type = "number" }', "1/2/3", 2.0),
        ('{ column = "X", split = "/", part = -1, type = "number" }', "1/2/3", 3.0),
    ],
)
def test_numbers(field: str, text: str, expected: float) -> None:
    assert measured(field, text).value == expected


@pytest.mark.parametrize(
    ("field", "text", "code", "told"),
    [
        (NUMBER, "98.3", "number", "decimal comma"),
        (NUMBER, "1_000", "number", "no number"),
        (NUMBER, "nan", "number", "no number"),
        (NUMBER, "inf", "number", "no number"),
        (NUMBER, "1e999", "number", "too large"),
        (NUMBER, "١٢", "number", "no number"),
        (NUMBER, "###", "number", "no number"),
        ('{ column = "X", type = "integer" }', "1,0", "number", "no integer"),
        ('{ column = "X", type = "integer" }', "9" * 19, "number", "no integer"),
        ('{ column = "X", type = "integer", scale = 0.1 }', "12", "number", "no integer"),
        ('{ column = "X", type = "number", thousands = "." }', "1.23,8", "number", "no number"),
        ('{ column = "X", type = "number", range = [0, 100] }', "100,1", "range", "0.0 to 100.0"),
        ('{ column = "X", match = "H=(\\\\d+)", type = "number" }', "none", "match", "does not match"),
        ('{ column = "X", split = "/", part = 4, type = "number" }', "1/2/3", "split", "no part 4"),
        ('{ column = "X", type = "number", required = true }', "", "required", "absent"),
    ],
)
def test_what_is_not_as_stated_is_rejected_with_place_value_and_reason(
    field: str, text: str, code: str, told: str
) -> None:
    data = measured(field, text)
    assert isinstance(data, SourceRejected)
    assert data.code == code
    assert told in data.reason
    assert data.place == "line 1, column 4 (X)"
    if text:
        assert data.value == text


def test_absent_texts_are_a_columns_own() -> None:
    toml = rows(
        columns='"Pin", "Repair"',
        fields='pin = { column = "Pin", absent = ["NA"] }\nrepair = "Repair"',
        extra='calls = [{ place = { designator = "R1", termination = "$pin" }, label = "$repair" }]',
    )
    data = only(toml, "2026-03-02 06:00:00;B1;NG;NA;NA\n")
    assert data.calls[0].place.termination is None
    assert data.calls[0].label == "NA"


@given(st.text(st.sampled_from("0123456789"), min_size=1, max_size=60))
def test_identifiers_stay_text_letter_for_letter(code: str) -> None:
    data = only(DIGITS, f"2026-03-02 06:00:00;{code};OK\n")
    identifiers = [known.value for board in data.boards for known in board.identifiers]
    assert identifiers == ([] if len(code) > 1 and len(set(code)) == 1 else [code])


DIGITS = mapping(rows())


@pytest.mark.parametrize("code", ["0000", "????", "NOREAD", "NoRead", "no read", "N/A", "-----"])
def test_placeholders_are_no_identifiers(code: str) -> None:
    """Common practice, no source: what machines write where they read no code."""
    (statement,) = statements(DIGITS, f"2026-03-02 06:00:00;{code};OK\n")
    assert statement.subject is None
    assert statement.data.boards[0].identifiers == ()
    assert "placeholder_identifier" in statement.data.origin.flags


def test_placeholders_can_be_stated() -> None:
    toml = rows().replace('zone = "Europe/Berlin"', 'zone = "Europe/Berlin"\nplaceholders = ["LEER"]')
    assert only(toml, "2026-03-02 06:00:00;leer;OK\n").boards[0].identifiers == ()
    assert only(toml, "2026-03-02 06:00:00;NOREAD;OK\n").boards[0].identifiers[0].value == "NOREAD"


TABLE = '[tables.outcomes]\nvalues = {{ OK = "passed", NG = "failed", "-" = "" }}\notherwise = "{}"\n{}'


def test_tables_translate_and_say_what_happens_to_other_words() -> None:
    def outcome(word: str, otherwise: str, more: str = "") -> Any:
        return only(rows(more=TABLE.format(otherwise, more)), f"2026-03-02 06:00:00;B1;{word}\n")

    assert outcome("NG", "reject").outcome == "failed"
    assert outcome("ng", "reject", 'case = "ignore"').outcome == "failed"
    assert outcome("odd", "unknown").outcome == "unknown"
    refused = outcome("ng", "reject")
    assert (refused.code, refused.value) == ("table", "ng")
    assert "'outcomes'" in refused.reason
    assert outcome("-", "reject").code == "schema", "an outcome has to be there"


def test_a_table_may_keep_the_machines_words_only_where_the_schema_has_none_of_its_own() -> None:
    toml = rows(
        columns='"Why"',
        fields='why = { column = "Why", table = "words" }',
        extra='reason = "$why"',
        more=OUTCOMES + '[tables.words]\nvalues = { A = "abc" }\notherwise = "keep"',
    )
    assert only(toml, "2026-03-02 06:00:00;B1;OK;A\n").reason == "abc"
    assert only(toml, "2026-03-02 06:00:00;B1;OK;B\n").reason == "B"


OUTCOMES = '[tables.outcomes]\nvalues = { OK = "passed", NG = "failed" }\notherwise = "reject"\n'


def test_booleans() -> None:
    toml = (
        'name = "low"\nrevision = 1\nzone = "UTC"\n[reader]\nkind = "delimited"\nencoding = "ascii"\n'
        '[[reader.records]]\nkind = "row"\ncolumns = ["T", "Slot", "Empty"]\n'
        '[fields.row]\nt = { column = "T", type = "time", format = "iso", means = "end" }\nslot = "Slot"\n'
        'empty = { column = "Empty", type = "boolean", true = ["Y", "1"], false = ["N"] }\n'
        '[[event]]\ntype = "material.low"\neach = "row"\ntime = "$t"\n'
        '[event.data]\nempty = "$empty"\nmaterial = { }\nfeeding = { slot = "$slot" }\n'
    )
    assert only(toml, "2026-03-02T06:00:00,7,1\n").empty is True
    assert only(toml, "2026-03-02T06:00:00,7,N\n").empty is False
    assert "neither" in rejected(toml, "2026-03-02T06:00:00,7,x\n").reason


def test_several_columns_make_one_time() -> None:
    toml = rows(columns='"Clock"').replace(
        '{ column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end" }',
        '{ columns = ["Time", "Clock"], type = "time", format = "%d.%m.%Y %H:%M:%S", means = "saved" }',
    )
    (statement,) = statements(toml, "02.03.2026;B1;OK;06:00:00\n")
    assert statement.time.isoformat() == "2026-03-02T05:00:00+00:00"
    origin = statement.data.origin
    assert (origin.time_text, origin.time_means, origin.zone, origin.zone_basis) == (
        "02.03.2026 06:00:00", "saved", "Europe/Berlin", "configured",
    )  # fmt: skip


def test_hazard_30_a_doubled_hour_is_flagged_in_the_event() -> None:
    (statement,) = statements(DIGITS, "2026-10-25 02:30:00;B1;OK\n")
    assert statement.time.isoformat() == "2026-10-25T00:30:00+00:00"
    assert statement.data.origin.flags == ("ambiguous_time",)


def test_hazard_31_a_wrong_clock_rejects_nothing() -> None:
    years = [
        statement.time.year
        for statement in statements(DIGITS, "1999-01-01 00:00:00;B1;OK\n2037-01-01 00:00:00;B1;OK\n")
    ]
    assert years == [1998, 2036], "an hour before midnight in UTC"


def test_an_assumed_zone_is_told() -> None:
    toml = rows().replace('zone = "Europe/Berlin"', 'zone = "Europe/Berlin"\nzone_basis = "assumed"')
    assert only(toml, "2026-03-02 06:00:00;B1;OK\n").origin.zone_basis == "assumed"


def test_hazard_14_two_equal_rows_are_two_events() -> None:
    first, second = takings(DIGITS, "2026-03-02 06:00:00;B1;OK\n" * 2)
    assert (first.position, second.position) == (0, 26)
    assert first.statements[0].time == second.statements[0].time


def test_raw_names_the_bytes_of_the_record() -> None:
    content = b"2026-03-02 06:00:00;B1;OK\r\n2026-03-02 06:00:01;B2;OK\r\n"
    for taking in takings(DIGITS, content):
        raw = taking.statements[0].data.origin.raw
        assert raw is not None
        assert raw.offset == taking.position
        assert raw.size == 27
        assert raw.archived is not None
        assert raw.inline is None


def test_a_rejected_record_carries_its_bytes() -> None:
    import base64

    data = rejected(DIGITS, "2026-03-02 06:00:00;B1;odd\n")
    assert data.origin.raw is not None
    assert base64.b64decode(data.origin.raw.inline or "") == b"2026-03-02 06:00:00;B1;odd\n"
    assert data.origin.raw.archived is not None


def test_validity_rejects_what_is_older_or_newer_than_the_mapping() -> None:
    toml = rows().replace("[reader]", "[validity]\nsince = 2026-01-01\nuntil = 2027-01-01\n\n[reader]", 1)
    assert only(toml, "2026-12-31 06:00:00;B1;OK\n").TYPE == "inspection.completed"
    for text in ("2025-12-31 06:00:00", "2027-01-01 06:00:00"):
        data = rejected(toml, f"{text};B1;OK\n")
        assert (data.code, data.value) == ("validity", text)

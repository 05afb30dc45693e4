"""Mapping files that cannot be used: the error names file, line, key, value and what would be right."""

import pytest
from logs_reading import OUTCOMES, mapping, rows

from broker_bridge.errors import ConfigError


def refused(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        mapping(text)
    return str(caught.value)


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('revision = 1', "", "revision: missing"),
        ('revision = 1', "revision = true", "revision"),
        ('revision = 1', "revision = 1\nrevison = 2", "revison: unknown key (value 2)"),
        ('zone = "Europe/Berlin"', 'zone = "Europe/Berlim"', "no time zone"),
        ('zone = "Europe/Berlin"', "", "fields.row.time: states no zone"),
        ('kind = "delimited"', 'kind = "xls"', "reader"),
        ('encoding = "utf-8"', 'encoding = "utf-9"', "no known encoding"),
        ('code = "Code"', 'code = "code"', "kind row has no column 'code'; is 'Code' meant?"),
        ('table = "outcomes"', 'table = "outcome"', "there is no table 'outcome'"),
        ('"%Y-%m-%d %H:%M:%S"', '"%Y-%m-%d %Q"', "%Q is no letter of a time format"),
        ('code = "Code"', 'code = { column = "Code", scale = 2 }', "`scale` goes with type ="),
        ('code = "Code"', 'code = { column = "Code", match = "(?=x)" }', "is no pattern"),
        ('code = "Code"', 'code = { column = "Code", match = "x" }', "has no group"),
        ('type = "inspection.completed"', 'type = "inspection.complete"', "is no event type"),
        ('type = "inspection.completed"', 'type = "source.gap"', "bridge's own"),
        ('each = "row"', 'each = "rows"', "there is no record kind 'rows'"),
        ('each = "row"', "", "without groups every event needs"),
        ('time = "$time"', 'time = "$tim"', "$tim names no field in sight; is $time meant?"),
        ('time = "$time"', 'time = "$code"', "$code is declared as text, not as time"),
        ('outcome = "$outcome"', "", "event.1.data.outcome: missing"),
        ('outcome = "$outcome"', 'outcome = "good"', "'good'"),
        ('outcome = "$outcome"', 'outcome = "$time"', "$time is declared as time"),
        ('outcome = "$outcome"', 'outcome = "$outcome"\nlane = "$code"', "$code is declared as text, but integer is wanted"),
        ('outcome = "$outcome"', 'outcome = "$outcome"\nsides = "top"', "InspectionCompleted has no field 'sides'"),
        ('outcome = "$outcome"', 'outcome = "$outcome"\ncalls = "x"', "has to be a list"),
        ('outcome = "$outcome"', 'outcome = "$outcome"\norigin = { adapter = "x" }', "has no field 'origin'"),
        ('NG = "failed"', 'NG = "bad"', "gives 'bad' for outcome"),
        ('otherwise = "reject"', 'otherwise = "keep"', "use reject or unknown"),
        ('otherwise = "reject"', 'otherwise = "drop"', "otherwise"),
        ('value = "$code"', 'value = "$code", serial = "x"', "Identifier has no field 'serial'"),
        ('how = "read"', 'how = "guessed"', "'guessed'"),
    ],
)  # fmt: skip
def test_a_wrong_mapping_is_refused_with_its_line(old: str, new: str, told: str) -> None:
    good = rows()
    mapping(good)
    assert old in good
    text = good.replace(old, new, 1)
    message = refused(text)
    assert message.startswith("test.toml")
    assert told in message
    if new and not told.startswith(
        ("revision", "fields.row.time", "event.1.data", "without", "gives", "reader")
    ):
        assert f"test.toml, line {line_of(text, new) + new.count(chr(10))}" in message, message


def test_no_toml_at_all() -> None:
    assert refused("name = ").startswith("test.toml: is not TOML")
    assert refused("name = " + "9" * 5000).startswith("test.toml: is not TOML")
    assert refused("name = " + "[" * 5000).startswith("test.toml: is not TOML")
    assert refused("revision = 99999999999999999999") == "test.toml: Integer exceeds 64-bit range"


def test_several_faults_are_told_at_once() -> None:
    message = refused(rows().replace("revision = 1", "").replace('zone = "Europe/Berlin"', "zon = 1"))
    assert len(message.split("\n")) == 2


def test_lists_and_counts_need_groups() -> None:
    extra = 'calls = { each = "row", item = { place = {}, label = "$code" } }'
    assert "can be collected only in groups" in refused(rows(extra=extra))


def test_constants_that_begin_with_a_dollar_are_written_with_two() -> None:
    from logs_reading import only

    assert only(rows(extra='reason = "$$5"'), "2026-03-02 06:00:00;B1;OK\n").reason == "$5"


def test_the_hash_is_of_the_content_and_not_of_its_dress() -> None:
    plain = mapping(rows())
    dressed = rows().replace('name = "rows"\nrevision = 1', '# a remark\nrevision    = 1\nname = "rows"')
    assert mapping(dressed).hash == plain.hash
    assert mapping(rows().replace("OK = ", "ok = ")).hash != plain.hash


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ('per = "block"', "`begins` goes with"),
        ('per = "key"', "`by` goes with"),
        ('per = "key"\nby = ["nothing"]', "no record kind has all of the fields nothing"),
        ('per = "block"\nbegins = "x"', "there is no record kind 'x'"),
        ('per = "file"\nholds = ["x"]', "there is no record kind 'x'"),
        ('per = "key"\nby = ["code"]\nholds = ["row"]', "row holds for others and is not grouped"),
    ],
)
def test_groups_that_cannot_be(stated: str, told: str) -> None:
    assert told in refused(rows() + f"[group]\n{stated}\n")


def test_what_a_group_agrees_on_is_named_as_what_may_be_meant() -> None:
    text = rows(more="").replace("[fields.row]", '[group]\nper = "key"\nby = ["code"]\n\n[fields.row]')
    assert "is $row.outcome meant?" in refused(text.replace('each = "row"\n', "") + OUTCOMES)


def test_a_block_goes_with_paste_only() -> None:
    block = '[event.block]\neach = "row"\ncolumns = { code = "$code" }\n'
    grouped = rows(more="").replace("[fields.row]", '[group]\nper = "file"\n\n[fields.row]') + block
    assert "goes with reading.paste_measured" in refused(grouped + OUTCOMES)
    paste = grouped.replace('"inspection.completed"', '"reading.paste_measured"')
    paste = paste.replace('method = "optical"\noutcome = "$outcome"\n', "")
    mapping(paste + OUTCOMES)
    assert "needs [event.block]" in refused(paste.replace(block, "") + OUTCOMES)
    assert "a time cannot be a column" in refused(
        paste.replace('code = "$code" }', 'code = "$time" }') + OUTCOMES
    )

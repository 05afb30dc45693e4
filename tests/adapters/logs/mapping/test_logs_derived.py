"""Values computed from others: times, durations, outcomes. Dialects and boards are invented."""

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logs_reading import mapping, only, rejected, rows, statements

from broker_bridge.errors import ConfigError
from broker_bridge.events.source import SourceRejected


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


LASTED = 'cycle = { column = "Cycle", type = "number", unit = "s" }'
ENDED = 'started = "$time"\nended = "$ended"'


def shifted(rule: str, text: str, field: str = LASTED) -> Any:
    toml = rows(columns='"Cycle"', fields=field, extra=ENDED) + f"\n[derived.row]\nended = {rule}\n"
    (statement,) = statements(toml, f"{text}\n")
    return statement.data


@pytest.mark.parametrize(
    ("rule", "field", "amount", "expected"),
    [
        ('{ time = "$time", plus = "$cycle", means = "end" }', LASTED, "12,5", "2026-03-02T05:00:12.500"),
        ('{ time = "$time", minus = "$cycle", means = "start" }', LASTED, "3600", "2026-03-02T04:00:00"),
        ('{ time = "$time", plus = "$cycle", means = "end" }', LASTED.replace('"s"', '"min"'), "1,5", "2026-03-02T05:01:30"),
        ('{ time = "$time", plus = "$cycle", means = "end" }', LASTED.replace('"s"', '"ms"'), "0,001", "2026-03-02T05:00:00.000001"),
    ],
)  # fmt: skip
def test_a_time_is_computed_from_another_and_a_while(
    rule: str, field: str, amount: str, expected: str
) -> None:
    assert shifted(rule, f"2026-03-02 06:00:00;B1;OK;{amount}", field).ended == at(expected)


def test_a_while_passes_exactly_where_clocks_go_back() -> None:
    data = shifted('{ time = "$time", plus = "$cycle", means = "end" }', "2026-10-25 01:50:00;B1;OK;7200")
    assert data.started == at("2026-10-24T23:50:00")
    assert data.ended == at("2026-10-25T01:50:00"), "02:50 on the clock, for the second time"


def test_a_computed_time_says_so_as_the_time_of_an_event() -> None:
    toml = rows(columns='"Cycle"', fields=LASTED).replace('time = "$time"', 'time = "$ended"')
    toml += '\n[derived.row]\nended = { time = "$time", plus = "$cycle", means = "end" }\n'
    (statement,) = statements(toml, "2026-03-02 06:00:00;B1;OK;30\n")
    assert statement.time == at("2026-03-02T05:00:30")
    assert statement.data.origin.time_text == "2026-03-02 06:00:00 + 30.0 s"
    assert "computed_time" in statement.data.origin.flags


def test_without_its_parts_nothing_is_computed() -> None:
    assert (
        shifted('{ time = "$time", plus = "$cycle", means = "end" }', "2026-03-02 06:00:00;B1;OK;").ended
        is None
    )


def test_a_while_below_nothing_rejects_its_record() -> None:
    data = shifted('{ time = "$time", plus = "$cycle", means = "end" }', "2026-03-02 06:00:00;B1;OK;-1")
    assert isinstance(data, SourceRejected)
    assert data.code == "range"


# -- day in the header, clock in the row

SHIFT_LOG = """
name = "shift log"
revision = 1
zone = "Europe/Berlin"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = "|"

[[reader.records]]
kind = "head"
tag = "DAY"
columns = ["Day"]

[[reader.records]]
kind = "row"
tag = "R"
columns = ["Clock", "Code"]

[group]
per = "row"
holds = ["head"]

[fields.head]
day = { column = "Day", type = "date", format = "%d.%m.%Y" }

[fields.row]
clock = { column = "Clock", type = "clock", format = "%H:%M:%S" }
code = "Code"

[derived.row]
time = { day = "$head.day", clock = "$clock", means = "end" }

[[event]]
type = "board.departed"
each = "row"
time = "$time"
[event.data]
how = "transferred"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
"""
COMPILED = mapping(SHIFT_LOG)


def clocks(*lines: str) -> list[tuple[datetime, bool]]:
    found = statements(COMPILED, "".join(f"{line}\n" for line in lines))
    return [(one.time, "counted_day" in one.data.origin.flags) for one in found]


def test_a_clock_takes_its_day_from_the_header_and_goes_on_over_midnight() -> None:
    assert clocks("DAY|31.03.2026", "R|22:10:00|A", "R|23:59:59|B", "R|00:00:04|C", "R|06:00:00|D") == [
        (at("2026-03-31T20:10:00"), False),
        (at("2026-03-31T21:59:59"), False),
        (at("2026-03-31T22:00:04"), True),
        (at("2026-04-01T04:00:00"), True),
    ]


def test_a_row_out_of_order_stays_on_its_day() -> None:
    times = clocks("DAY|31.03.2026", "R|23:59:59|A", "R|00:00:04|B", "R|23:59:58|C", "R|00:10:00|D")
    assert [time for time, _ in times] == [
        at("2026-03-31T21:59:59"),
        at("2026-03-31T22:00:04"),
        at("2026-03-31T21:59:58"),
        at("2026-03-31T22:10:00"),
    ]


def test_the_next_header_states_its_day_anew() -> None:
    times = clocks("DAY|31.03.2026", "R|22:00:00|A", "DAY|30.03.2026", "R|05:00:00|B")
    assert [time for time, _ in times] == [at("2026-03-31T20:00:00"), at("2026-03-30T03:00:00")]


def test_the_doubled_hour_is_flagged_here_as_well() -> None:
    found = statements(COMPILED, "DAY|24.10.2026\nR|23:00:00|A\nR|02:30:00|B\n")
    assert set(found[1].data.origin.flags) == {"ambiguous_time", "counted_day"}


def test_a_header_with_a_time_counts_as_the_latest() -> None:
    toml = SHIFT_LOG.replace(
        'type = "date", format = "%d.%m.%Y"', 'type = "time", format = "%d.%m.%Y %H:%M", means = "start"'
    )
    found = statements(toml, "DAY|31.03.2026 22:00\nR|01:00:00|A\n")
    assert found[0].time == at("2026-03-31T23:00:00")


@given(st.lists(st.integers(0, 82_800 - 3601), min_size=1, max_size=12))
def test_rows_in_order_keep_their_true_times(steps: list[int]) -> None:
    """Property: whatever a clock that is right shows, rows less than 22 hours apart get their true times."""
    zone = mapping(SHIFT_LOG.replace("Europe/Berlin", "UTC"))
    moment = datetime(2026, 3, 2, 0, 0, 0, tzinfo=UTC).timestamp()
    true, lines = [], ["DAY|02.03.2026\n"]
    for step in [0, *steps]:
        moment += step
        true.append(datetime.fromtimestamp(moment, UTC))
        lines.append(f"R|{true[-1]:%H:%M:%S}|A\n")
    assert [one.time for one in statements(zone, "".join(lines))] == true


# -- durations


def test_a_duration_is_between_two_times() -> None:
    extra = (
        'calls = [{ label = "x", place = {}, values = [{ name = "cycle", value = "$took", unit = "min" }] }]'
    )
    toml = rows(
        columns='"End"', fields='end = { column = "End", type = "time", format = "%H:%M:%S %d.%m.%Y", means = "end" }', extra=extra
    ) + '\n[derived.row]\ntook = { since = "$time", until = "$end", unit = "min" }\n'  # fmt: skip
    assert only(toml, "2026-03-02 23:59:30;B1;OK;00:01:00 03.03.2026\n").calls[0].values[0].value == 1.5
    data = rejected(toml, "2026-03-02 23:59:30;B1;OK;23:59:29 02.03.2026\n")
    assert data.code == "range"
    assert "23:59:29 02.03.2026" in data.reason


# -- what several rows, or a number, decide

REVIEW = """
name = "review"
revision = 1

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{ kind = "call", columns = ["Board", "Part", "Judged"] }]

[group]
per = "key"
by = ["board"]

[fields.call]
board = "Board"
part = "Part"
verdict = { column = "Judged", table = "verdicts", required = true }

[tables.verdicts]
values = { T = "confirmed", F = "false_call", "?" = "undecided" }
otherwise = "reject"

[[event]]
type = "inspection.reviewed"
time = "$file.modified"
[event.data]
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$board", how = "read" }] }]
verdicts = { each = "call", item = { verdict = "$verdict", place = { designator = "$part" } } }
[event.data.outcome]
cases = [
  { count = "call", when = { verdict = ["confirmed"] }, at_least = 1, gives = "failed" },
  { count = "call", when = { verdict = ["undecided"] }, at_least = 1, gives = "undecided" },
  { count = "call", at_least = 1, gives = "passed" },
]
otherwise = "unknown"
"""


def test_an_outcome_is_decided_by_several_rows() -> None:
    found = statements(REVIEW, "B1;R1;F\nB2;R1;?\nB1;R2;T\nB2;R2;F\nB3;R1;F\nB3;R2;F\n")
    assert {one.subject: one.data.outcome for one in found} == {
        "B1": "failed",
        "B2": "undecided",
        "B3": "passed",
    }


def counted(text: str, otherwise: str = '"unknown"') -> Any:
    cases = (
        'outcome = { cases = [{ field = "$faults", at_most = 0, gives = "passed" }, { field = "$faults", at_least = 1,'
        f' at_most = 99, gives = "failed" }}], otherwise = {otherwise} }}'
    )
    toml = rows(columns='"Faults"', fields='faults = { column = "Faults", type = "integer" }', extra=cases)
    return only(toml.replace('outcome = "$outcome"', ""), f"2026-03-02 06:00:00;B1;OK;{text}\n")


def test_an_outcome_is_decided_by_a_number() -> None:
    assert counted("0").outcome == "passed"
    assert counted("3").outcome == "failed"
    assert counted("").outcome == "unknown", "an absent number is no pass"
    assert counted("100").outcome == "unknown"
    assert counted("100", '"reject"').code == "cases"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('gives = "failed"', 'gives = "broken"', "broken"),
        ('otherwise = "unknown"', "", "otherwise"),
        ('count = "call", at_least = 1', 'count = "call"', "at_least"),
        ('count = "call", at_least = 1', 'count = "cal", at_least = 1', "no record kind 'cal'"),
    ],
)
def test_wrong_cases_are_told_with_their_line(old: str, new: str, told: str) -> None:
    assert REVIEW.count(old)
    head, _, tail = REVIEW.rpartition(old)
    with pytest.raises(ConfigError, match=r"test\.toml, line \d+") as caught:
        mapping(head + new + tail)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        ('{ time = "$time", means = "end" }', "`plus` or `minus`"),
        ('{ time = "$code", plus = "$cycle", means = "end" }', "declared as text, but time"),
        ('{ time = "$time", plus = "$faults", means = "end" }', "unit = us, ms, s, min, h, d"),
        ('{ time = "$tim", plus = "$cycle", means = "end" }', "is $time meant?"),
        ('{ time = "$time", plus = "$cycle" }', "means"),
        ('{ day = "$time", clock = "$cycle", means = "end" }', "but clock is wanted"),
        ('{ since = "$time", until = "$time", unit = "weeks" }', "'us', 'ms', 's', 'min', 'h' or 'd'"),
        ('{ companion = "reels", gives = "lot" }', "there is no companion 'reels'"),
    ],
)
def test_wrong_rules_are_told_with_their_line(rule: str, told: str) -> None:
    fields = LASTED + '\nfaults = { column = "Cycle", type = "integer" }'
    with pytest.raises(ConfigError, match=r"test\.toml, line \d+: derived\.row\.x") as caught:
        mapping(rows(columns='"Cycle"', fields=fields) + f"\n[derived.row]\nx = {rule}\n")
    assert told in str(caught.value)


def test_a_derived_field_has_a_name_of_its_own() -> None:
    with pytest.raises(ConfigError, match="has a field 'code' already"):
        mapping(
            rows(columns='"Cycle"', fields=LASTED)
            + '\n[derived.row]\ncode = { time = "$time", plus = "$cycle", means = "end" }\n'
        )

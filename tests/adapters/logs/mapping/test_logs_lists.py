"""Lists in plain text, and what is made of their items. Dialects and boards are invented."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logs_reading import mapping, only, rejected, rows

from broker_bridge.adapters.logs.mapping.spans import LONGEST, spanned
from broker_bridge.errors import ConfigError
from broker_bridge.events.source import SourceRejected

LEFT_OUT = 'coverage = { of = "components", left_out = "$out" }'
CALLS = 'calls = { items = "$out", item = { label = "open", place = { designator = "$item" } } }'


def listed(field: str, text: str, extra: str = LEFT_OUT) -> Any:
    return only(
        rows(columns='"Out"', fields=f"out = {field}", extra=extra), f"2026-03-02 06:00:00;B1;NG;{text}\n"
    )


@pytest.mark.parametrize(
    ("field", "text", "expected"),
    [
        ('{ column = "Out", list = "," }', "U1,U2,U7", ["U1", "U2", "U7"]),
        ('{ column = "Out", list = "," }', " U1 , ,U7,", ["U1", "U7"]),
        ('{ column = "Out", list = "," }', "R1-R4,C2", ["R1-R4", "C2"]),
        ('{ column = "Out", list = ",", span = "-" }', "R1-R4,C2", ["R1", "R2", "R3", "R4", "C2"]),
        ('{ column = "Out", list = ",", span = "-" }', "R08-R11", ["R08", "R09", "R10", "R11"]),
        ('{ column = "Out", list = " ", span = ".." }', "R1..3 L9", ["R1", "R2", "R3", "L9"]),
        ('{ column = "Out", list = "/", absent = ["", "none"] }', "U1/none/U2", ["U1", "U2"]),
        ('{ column = "Out", list = "|", match = "out\\\\[(.*)\\\\]" }', "x out[U1|U2] y", ["U1", "U2"]),
        ('{ column = "Out", list = ",", type = "integer" }', "7,08", ["7", "8"]),
        ('{ columns = ["Out", "Code"], list = "," }', "U1,U2", ["U1", "U2", "B1"]),
    ],
)
def test_a_text_is_cut_into_a_list(field: str, text: str, expected: list[str]) -> None:
    assert list(listed(field, text).coverage.left_out) == expected


def test_an_empty_list_is_absent() -> None:
    assert listed('{ column = "Out", list = "," }', " , ").coverage is None


def test_items_become_objects() -> None:
    calls = listed('{ column = "Out", list = ",", span = "-" }', "U3,R1-R2", CALLS).calls
    assert [call.place.designator for call in calls] == ["U3", "R1", "R2"]


@pytest.mark.parametrize(
    "text", ["R4-R1", "R1-C4", "R-R4", "R1-", "R1-R2-R3", "R01-R100", f"R1-R{LONGEST + 1}"]
)
def test_a_run_that_is_none_rejects_its_record(text: str) -> None:
    data = rejected(
        rows(columns='"Out"', fields='out = { column = "Out", list = ",", span = "-" }', extra=LEFT_OUT),
        f"2026-03-02 06:00:00;B1;NG;U1,{text}\n",
    )
    assert (data.code, data.value, data.place) == ("span", text, "line 1, column 4 (Out)")


def test_one_item_that_is_not_as_stated_rejects_the_record() -> None:
    data = listed('{ column = "Out", list = ",", type = "integer" }', "7,x")
    assert isinstance(data, SourceRejected)
    assert (data.code, data.value) == ("number", "x")


@pytest.mark.parametrize(
    ("field", "extra", "told"),
    [
        ('{ column = "Out", list = "," }', 'order = "$out"', "is a list and one value is wanted"),
        ('{ column = "Out" }', LEFT_OUT, "is one value and a list is wanted"),
        ('{ column = "Out", span = "-" }', LEFT_OUT, "`span` goes with `list`"),
        ('{ column = "Out", list = ",", type = "boolean", true = ["1"], false = ["0"] }', LEFT_OUT, "a list holds"),
        ('{ column = "Out", list = "," }', 'order = { items = "$out", item = "$item" }', "this field is none"),
    ],
)  # fmt: skip
def test_lists_and_single_values_are_not_mixed_up(field: str, extra: str, told: str) -> None:
    with pytest.raises(ConfigError, match=r"test\.toml, line \d+") as caught:
        mapping(rows(columns='"Out"', fields=f"out = {field}", extra=extra))
    assert told in str(caught.value)


@given(st.integers(0, 99999), st.integers(0, 300), st.sampled_from(["R", "C_", "", "J1."]))
def test_a_run_holds_every_number_once(first: int, more: int, letters: str) -> None:
    found = spanned(f"{letters}{first}-{letters}{first + more}", "-")
    assert list(found) == [f"{letters}{number}" for number in range(first, first + more + 1)]


@given(st.text(st.sampled_from("R019- ,"), max_size=14))
def test_any_text_is_a_run_or_refused(text: str) -> None:
    try:
        found = spanned(text, "-")
    except ValueError:
        return
    assert 1 <= len(found) <= LONGEST
    assert len(set(found)) == len(found)

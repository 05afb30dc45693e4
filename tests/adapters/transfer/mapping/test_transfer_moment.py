"""When a message was sent, by the machine's clock and by ours."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.transfer.mapping.moment import moment

TAKEN = datetime(2026, 3, 2, 7, 15, 30, 500_000, tzinfo=UTC)
TOLERANCE = timedelta(seconds=5)
BERLIN = ZoneInfo("Europe/Berlin")


def test_a_configured_zone_is_used_and_named():
    when = moment("2026-03-02T08:15:30.120", BERLIN, TAKEN, TOLERANCE)
    assert when.time == datetime(2026, 3, 2, 7, 15, 30, 120_000, tzinfo=UTC)
    assert (when.time_means, when.zone, when.zone_basis, when.flags) == (
        "sent",
        "Europe/Berlin",
        "configured",
        (),
    )
    assert when.time_text == "2026-03-02T08:15:30.120"


@pytest.mark.parametrize(
    ("text", "offset"),
    [
        ("2026-03-02T08:15:30.120", "+01:00"),
        ("2026-03-02T07:15:31.000", "+00:00"),
        ("2026-03-02T13:00:30.120", "+05:45"),  # Asia/Kathmandu, IANA time zone database
        ("2026-03-01T21:15:28.000", "-10:00"),
    ],
)
def test_without_a_zone_the_offset_that_fits_our_clock_is_assumed(text, offset):
    when = moment(text, None, TAKEN, TOLERANCE)
    assert (when.zone, when.zone_basis, when.time_means) == (offset, "assumed", "sent")
    assert abs(when.time - TAKEN) <= TOLERANCE


@pytest.mark.parametrize(
    "text", ["2026-03-02T08:22:30.120", "2026-03-04T08:15:30.120", "1970-01-01T00:00:00.000"]
)
def test_an_assumed_offset_does_not_hide_a_wrong_clock(text):
    when = moment(text, None, TAKEN, TOLERANCE)
    assert (when.time, when.time_means, when.zone_basis) == (TAKEN, "taken_in", "assumed")
    assert "clock_suspect" in when.flags


def test_a_clock_that_is_an_hour_off_in_a_stated_zone_is_not_believed():
    when = moment("2026-03-02T09:15:30.120", BERLIN, TAKEN, TOLERANCE)
    assert (when.time, when.time_means, when.flags) == (TAKEN, "taken_in", ("clock_suspect",))
    assert when.time_text == "2026-03-02T09:15:30.120"


def test_a_zone_in_the_text_counts_more_than_the_configured_one():
    when = moment("2026-03-02T09:15:30.120+02:00", BERLIN, TAKEN, TOLERANCE)
    assert when.time == datetime(2026, 3, 2, 7, 15, 30, 120_000, tzinfo=UTC)
    assert (when.zone, when.zone_basis) == ("+02:00", "stated")


@pytest.mark.parametrize(("taken_hour", "expected_hour"), [(0, 0), (1, 1)])
def test_of_an_hour_that_comes_twice_the_one_is_meant_in_which_the_message_came(taken_hour, expected_hour):
    # Clocks in Europe/Berlin went from 03:00 back to 02:00 on 2026-10-25 at 01:00 UTC (IANA time zone database).
    taken = datetime(2026, 10, 25, taken_hour, 30, tzinfo=UTC)
    when = moment("2026-10-25T02:30:00.000", BERLIN, taken, TOLERANCE)
    assert when.time == datetime(2026, 10, 25, expected_hour, 30, tzinfo=UTC)
    assert when.flags == ("ambiguous_time",)


def test_an_hour_that_does_not_exist_is_flagged():
    # 2026-03-29 02:30 in Europe/Berlin is skipped (IANA time zone database).
    taken = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    when = moment("2026-03-29T02:30:00.000", BERLIN, taken, TOLERANCE)
    assert (when.time, when.flags) == (taken, ("nonexistent_time",))


@pytest.mark.parametrize(
    "text", ["", "x", "2026-02-30T00:00:00.000", "0001-01-01T00:00:00", "9999-12-31T23:59:59"]
)
def test_what_is_no_time_leaves_the_moment_of_intake(text):
    when = moment(text, BERLIN, TAKEN, TOLERANCE)
    assert (when.time, when.time_means, when.zone, when.time_text) == (TAKEN, "taken_in", None, text or None)


@given(st.text(max_size=600) | st.datetimes().map(lambda value: value.isoformat()))
def test_no_text_moves_a_message_further_than_the_tolerance_from_its_intake(text):
    for zone in (None, BERLIN):
        when = moment(text, zone, TAKEN, TOLERANCE)
        assert abs(when.time - TAKEN) <= TOLERANCE
        assert (when.time == TAKEN) or when.time_means == "sent"

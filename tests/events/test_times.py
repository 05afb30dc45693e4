"""Instants, against the examples and rules of RFC 3339."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from pydantic import TypeAdapter, ValidationError
from strategies import instants

from broker_bridge.events.base import Time

TIME = TypeAdapter(Time)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        # RFC 3339 section 5.8, "Examples"; seconds since 1970 computed by hand from the calendar.
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1996-12-20T00:39:57Z", 851042397),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        # Section 5.6, first note: "T" and "Z" may be lower case.
        ("1985-04-12t23:20:50.52z", 482196050.52),
        # Section 4.3: UTC is known, the offset to local time is not. It is an instant all the same.
        ("1996-12-20T00:39:57-00:00", 851042397),
    ],
)
def test_an_instant_of_rfc_3339(text: str, seconds: float) -> None:
    time = TIME.validate_python(text)
    assert time.timestamp() == pytest.approx(seconds, abs=1e-6)
    assert time.tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        # Section 5.8: leap seconds. They happened, but no datetime holds them; refused, never moved.
        "1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00",
        # Section 5.6, ABNF: everything below deviates from date-time in one place.
        "1985-04-12T23:20Z", "1985-04-12", "23:20:50Z", "1985-04-12T23:20:50", "1985-04-12 23:20:50Z",
        "1985-04-12_23:20:50Z", "85-04-12T23:20:50Z", "1985-4-12T23:20:50Z", "19850412T232050Z",
        "1985-04-12T23:20:50,5Z", "1985-04-12T23:20:50.Z", "1985-04-12T23:20:50+0100", "1985-04-12T23:20:50+01",
        "1985-04-12T23:20:50 Z", " 1985-04-12T23:20:50Z", "1985-04-12T23:20:50Z\n", "1985-W15-5T23:20:50Z",
        "482196050", "482196050.52", "１985-04-12T23:20:50Z", "",
        # Section 5.7: ranges.
        "1985-02-29T00:00:00Z", "1985-13-01T00:00:00Z", "1985-04-31T00:00:00Z", "1985-04-12T24:00:00Z",
        "1985-04-12T23:60:00Z", "1985-04-12T23:20:50+24:00", "0000-01-01T00:00:00Z",
        # Instants outside what a datetime holds in UTC.
        "0001-01-01T00:00:00+00:01", "9999-12-31T23:59:59-00:01",
    ],
)  # fmt: skip
def test_what_is_no_instant_is_refused(text: str) -> None:
    with pytest.raises(ValidationError):
        TIME.validate_python(text)


@pytest.mark.parametrize("value", [482196050, 482196050.52, True, None, [], b"1985-04-12T23:20:50Z"])
def test_a_number_is_no_instant(value: object) -> None:
    with pytest.raises(ValidationError, match="is no instant"):
        TIME.validate_python(value)


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValidationError, match="timezone"):
        TIME.validate_python(datetime(2026, 3, 2))  # noqa: DTZ001  # the point of the test


def test_more_than_microseconds_are_cut_off() -> None:
    assert TIME.validate_python("2026-03-02T08:15:30.1234569Z").microsecond == 123456


@given(instants)
def test_an_instant_reads_back_from_its_text(time: datetime) -> None:
    text = TIME.dump_json(TIME.validate_python(time)).decode().strip('"')
    assert text.endswith("Z")
    assert TIME.validate_python(text) == time


def test_local_time_becomes_utc() -> None:
    local = datetime(2026, 3, 2, 8, 15, tzinfo=timezone(timedelta(hours=1)))
    assert TIME.dump_json(TIME.validate_python(local)) == b'"2026-03-02T07:15:00Z"'

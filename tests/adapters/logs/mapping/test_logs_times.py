"""Times of machines: formats, zones, and the hours that exist twice or not at all."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.adapters.logs.mapping.times import TimeValue, compile_format, time_reader
from broker_bridge.adapters.logs.mapping.zones import instant_of, zone_of


def at(format: str, text: str, zone: str | None = "UTC") -> TimeValue:
    return time_reader(format, "end", zone, "configured")(text)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("format", "text", "expected"),
    [
        ("%Y-%m-%d %H:%M:%S", "2026-03-02 06:12:44", utc(2026, 3, 2, 6, 12, 44)),
        ("%d.%m.%Y %H:%M:%S,%f", "02.03.2026 06:12:44,5", utc(2026, 3, 2, 6, 12, 44, 500_000)),
        ("%d.%m.%y %H:%M", "2.3.26 6:12", utc(2026, 3, 2, 6, 12)),
        ("%m/%d/%Y %I:%M:%S %p", "9/11/2019 12:07:04 AM", utc(2019, 9, 11, 0, 7, 4)),
        ("%m/%d/%Y %I:%M %p", "9/11/2019 12:07 p.m.", utc(2019, 9, 11, 12, 7)),
        ("%Y%m%d%H%M%S", "20260302061244", utc(2026, 3, 2, 6, 12, 44)),
        ("%Y%m%d-%H%M%S%f", "20260302-061244123", utc(2026, 3, 2, 6, 12, 44, 123_000)),
        ("%a %b %d %H:%M:%S %Y", "Mon Mar 02 06:12:44 2026", utc(2026, 3, 2, 6, 12, 44)),
        ("%d-%B-%Y %H:%M", "2-September-2026 06:12", utc(2026, 9, 2, 6, 12)),
        ("%Y %j %H", "2026 061 06", utc(2026, 3, 2, 6)),
        ("%y%m%d %H", "690302 06", utc(1969, 3, 2, 6)),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-03-02T06:12:44+0530", utc(2026, 3, 2, 0, 42, 44)),
        ("iso", "2026-03-02T06:12:44.5-08:00", utc(2026, 3, 2, 14, 12, 44, 500_000)),
        ("iso", "2026-03-02 06:12:44", utc(2026, 3, 2, 6, 12, 44)),
        ("unix_s", "1772431964", utc(2026, 3, 2, 6, 12, 44)),
        ("unix_ms", "1772431964500", utc(2026, 3, 2, 6, 12, 44, 500_000)),
        ("unix_us", "1772431964500001", utc(2026, 3, 2, 6, 12, 44, 500_001)),
        # From memory: spreadsheets call 2026-03-02 day 46083.
        ("days_1900", "46083.25", utc(2026, 3, 2, 6)),
        ("%H:%M:%S%% %d.%m.%Y", "06:12:44% 02.03.2026", utc(2026, 3, 2, 6, 12, 44)),
    ],
)
def test_formats(format: str, text: str, expected: datetime) -> None:
    assert at(format, text).utc == expected


@given(st.datetimes(datetime(1970, 1, 1), datetime(2068, 12, 31)))  # noqa: DTZ001
@pytest.mark.parametrize(
    "format", ["%Y-%m-%d %H:%M:%S", "%d.%m.%y %H:%M:%S.%f", "%b %d %Y %I:%M:%S %p", "%Y%j%H%M%S"]
)
def test_what_strftime_writes_is_read_as_strptime_reads_it(format: str, moment: datetime) -> None:
    text = moment.strftime(format)
    assert at(format, text).utc == datetime.strptime(text, format).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("format", "text"),
    [
        ("%Y-%m-%d %H:%M:%S", "2026-03-02 06:12"),
        ("%Y-%m-%d %H:%M:%S", "2026-02-30 06:12:44"),
        ("%Y-%m-%d %H:%M:%S", "2026-03-02 25:12:44"),
        ("%Y-%m-%d %H:%M:%S", " 2026-03-02 06:12:44"),
        ("%m/%d/%Y %I:%M %p", "1/1/2026 13:00 PM"),
        ("%d %b %Y %H", "2 Mrz 2026 06"),
        ("%Y %j %H", "2026 366 06"),
        ("iso", "yesterday"),
        ("unix_s", "soon"),
        ("unix_s", "99999999999999999"),
        ("days_1900", "NaN"),
        ("%Y-%m-%d %H:%M:%S", "2026-03-0２ 06:12:44"),
        ("%Y-%m-%d %H:%M:%S", "0001-01-01 00:00:00"),
        ("%Y-%m-%d %H:%M:%S", "9999-12-31 23:59:59"),
    ],
)
def test_texts_that_are_no_such_time(format: str, text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        at(format, text, "Europe/Berlin" if text.startswith("0001") else "America/New_York")


@pytest.mark.parametrize(
    "format", ["%Y-%m-%d", "%H:%M:%S", "yyyy-mm-dd", "%Q %Y %m %d %H", "%I %d.%m.%Y", "%d%d.%m.%Y %H"]
)
def test_formats_that_cannot_work(format: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        compile_format(format)


def test_hazard_30_the_hour_that_exists_twice_is_flagged() -> None:
    # IANA: Europe/Berlin goes back from 03:00 CEST to 02:00 CET on 2026-10-25.
    value = at("%Y-%m-%d %H:%M", "2026-10-25 02:30", "Europe/Berlin")
    assert value.flags == ("ambiguous_time",)
    assert value.utc == utc(2026, 10, 25, 0, 30), "the first of the two"
    assert (value.zone, value.basis, value.text) == ("Europe/Berlin", "configured", "2026-10-25 02:30")
    for text in ("2026-10-25 01:59", "2026-10-25 03:00"):
        assert at("%Y-%m-%d %H:%M", text, "Europe/Berlin").flags == ()


def test_the_hour_that_does_not_exist_is_flagged() -> None:
    # IANA: Europe/Berlin goes forward from 02:00 CET to 03:00 CEST on 2026-03-29.
    value = at("%Y-%m-%d %H:%M", "2026-03-29 02:30", "Europe/Berlin")
    assert (value.utc, value.flags) == (utc(2026, 3, 29, 1, 30), ("nonexistent_time",))


def test_a_zone_in_the_text_is_stated_and_never_ambiguous() -> None:
    value = at("%Y-%m-%d %H:%M %z", "2026-10-25 02:30 +01:00", "Europe/Berlin")
    assert (value.utc, value.zone, value.basis, value.flags) == (
        utc(2026, 10, 25, 1, 30),
        "+01:00",
        "stated",
        (),
    )
    assert at("unix_s", "0", None).basis == "stated"


def test_offsets_are_zones() -> None:
    assert at("%Y-%m-%d %H:%M", "2026-10-25 02:30", "-03:30").utc == utc(2026, 10, 25, 6)
    for name in ("CEST", "+25:00", "Mars/Base", "../etc/passwd", ""):
        with pytest.raises(ValueError, match=r"zone|offset"):
            zone_of(name)


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2037, 12, 31)),  # noqa: DTZ001
    st.sampled_from(
        ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Africa/Casablanca"]
    ),
)
def test_flags_tell_exactly_the_readings_that_have_not_one_instant(local: datetime, zone: str) -> None:
    """IANA's own table: which instants show this reading on the wall?"""
    tz = ZoneInfo(zone)
    instants = {
        candidate
        for minutes in range(-15 * 60, 15 * 60 + 1, 30)
        if (candidate := (local + timedelta(minutes=minutes)).replace(tzinfo=UTC))
        .astimezone(tz)
        .replace(tzinfo=None)
        == local
    }
    found = instant_of(local, tz)
    expected = {0: ("nonexistent_time",), 1: (), 2: ("ambiguous_time",)}
    if instants or found.flags != ():
        assert found.flags == expected[len(instants)]
    if instants:
        assert found.utc == min(instants)

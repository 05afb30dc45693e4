"""A point in the past as a person types it."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from broker_bridge.console.since import instant_of
from broker_bridge.errors import UsageError

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("90s", "2026-03-02T11:58:30+00:00"),
        ("10m", "2026-03-02T11:50:00+00:00"),
        ("2h", "2026-03-02T10:00:00+00:00"),
        ("1d", "2026-03-01T12:00:00+00:00"),
        ("12:30", "2026-03-02T11:30:00+00:00"),
        ("6:05:30", "2026-03-02T05:05:30+00:00"),
        ("13:30", "2026-03-01T12:30:00+00:00"),  # not yet today in Berlin, so yesterday
        ("2026-03-02T06:00", "2026-03-02T05:00:00+00:00"),
        ("2026-03-02 06:00:00Z", "2026-03-02T06:00:00+00:00"),
        ("2026-03-02", "2026-03-01T23:00:00+00:00"),
    ],
)
def test_what_is_meant(text: str, instant: str) -> None:
    assert instant_of(text, NOW, BERLIN).isoformat() == instant


@pytest.mark.parametrize(
    "text", ["", "10", "10x", "yesterday", "25:00", "999999d", "2026-03-03", "2026-13-01", "-5m"]
)
def test_what_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--since"):
        instant_of(text, NOW, BERLIN)

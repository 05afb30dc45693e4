"""The raw archive gives back the bytes it was given, or says that it cannot."""

from datetime import UTC, datetime, timedelta

import pytest

from broker_bridge.edge.archive import Archive
from broker_bridge.errors import StoreError

MARCH = datetime(2026, 3, 2, tzinfo=UTC)


def test_bytes_come_back_under_their_hash(tmp_path):
    archive = Archive(tmp_path)
    raw = bytes(range(256)) * 100
    digest = archive.put(raw, MARCH)
    # SHA-256 of the empty string: FIPS 180-4 example value, widely published.
    assert archive.put(b"", MARCH) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert archive.get(digest) == raw
    assert archive.get("0" * 64) is None


def test_the_same_bytes_are_kept_once_a_month(tmp_path):
    archive = Archive(tmp_path)
    for _ in range(3):
        archive.put(b"abc", MARCH)
    assert len(list(tmp_path.rglob("*.zst"))) == 1
    archive.put(b"abc", MARCH + timedelta(days=40))
    assert len(list(tmp_path.rglob("*.zst"))) == 2


def test_months_past_retention_go_and_later_ones_stay(tmp_path):
    archive = Archive(tmp_path)
    old = archive.put(b"old", MARCH)
    new = archive.put(b"new", MARCH + timedelta(days=62))
    assert archive.expire(MARCH + timedelta(days=62), days=20) == 1
    assert archive.get(old) is None
    assert archive.get(new) == b"new"


def test_damage_is_told_and_never_returned(tmp_path):
    archive = Archive(tmp_path)
    digest = archive.put(b"the machine's own words", MARCH)
    [path] = tmp_path.rglob("*.zst")
    other = archive.put(b"something else", MARCH)
    path.write_bytes((path.parent / f"{other}.zst").read_bytes())
    with pytest.raises(StoreError, match="damaged"):
        archive.get(digest)

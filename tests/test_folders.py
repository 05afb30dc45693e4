"""A folder is on the disk, name by name, when it is said to be made."""

import os
import stat
from pathlib import Path

import pytest

from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import now_utc
from broker_bridge.edge.persons import Persons
from broker_bridge.folders import make_folder


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders that were synced, in order."""
    found: list[Path] = []
    fsync = os.fsync

    def noting(handle: int) -> None:
        fsync(handle)
        if stat.S_ISDIR(os.fstat(handle).st_mode):
            found.append(Path(os.readlink(f"/proc/self/fd/{handle}")))

    monkeypatch.setattr(os, "fsync", noting)
    return found


def test_every_new_level_is_synced_in_the_one_above(tmp_path: Path, synced: list[Path]) -> None:
    make_folder(tmp_path / "a" / "b" / "c")
    assert (tmp_path / "a" / "b" / "c").is_dir()
    assert synced == [tmp_path, tmp_path / "a", tmp_path / "a" / "b"]
    make_folder(tmp_path / "a" / "b" / "c")
    assert len(synced) == 3, "what is there needs no sync"


def test_the_raw_archive_is_there_with_the_folders_it_lies_in(tmp_path: Path, synced: list[Path]) -> None:
    Archive(tmp_path / "data" / "archive").put(b"raw", now_utc())
    month = f"{now_utc():%Y-%m}"
    assert synced == [
        tmp_path,
        tmp_path / "data",
        tmp_path / "data" / "archive",
        tmp_path / "data" / "archive" / month,
    ]


def test_the_key_of_pseudonyms_is_there_before_one_is_used(tmp_path: Path, synced: list[Path]) -> None:
    Persons(tmp_path / "persons").pseudonym("Jane Doe")
    assert synced[:2] == [tmp_path, tmp_path / "persons"]

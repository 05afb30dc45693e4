"""What `check` says of the disks that outbox and record lie on."""

import errno
import os
import tempfile
from pathlib import Path
from typing import Any

import pytest

from broker_bridge.config import Settings
from broker_bridge.health.files import disks


def plant(data: Path) -> Settings:
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "edge": {"outbox": data / "outbox.db"},
            "record": {"path": data / "record.db"},
        }
    )


def test_a_disk_that_takes_what_is_written_is_fine(tmp_path: Path) -> None:
    assert [one.level for one in disks(plant(tmp_path))] == ["fine", "fine"]


@pytest.mark.parametrize(
    ("code", "advice"),
    [
        (errno.ENOSPC, "make room"),
        (errno.EROFS, "mount it for writing"),
        (errno.EACCES, "right to write"),
        (errno.EIO, "disk itself"),
    ],
)
def test_why_it_cannot_be_written_is_told_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, advice: str
) -> None:
    def failing(*_: Any, **__: Any) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(tempfile, "TemporaryFile", failing)
    for finding in disks(plant(tmp_path)):
        assert finding.level == "problem"
        assert os.strerror(code) in finding.text
        assert advice in finding.advice

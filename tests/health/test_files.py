"""What `check` says of the folders that machines write to."""

import os
from pathlib import Path

from logs_reading import rows

from broker_bridge.config import Settings
from broker_bridge.health.files import adapters
from broker_bridge.health.finding import Finding

COMPANION = """
[companion.setup]
pattern = "setup-.*"
kind = "reel"
fields = { lot = "Lot" }

[companion.setup.reader]
kind = "delimited"
encoding = "utf-8"
records = [{ kind = "reel", columns = ["Lot"] }]
"""


def told(tmp_path: Path, mapping: str = "", **stated: object) -> list[Finding]:
    (tmp_path / "mapping.toml").write_text(mapping or rows())
    adapter = {"kind": "files", "name": "aoi", "area": "smt", "line": "line-1", "station": "aoi-1"}
    paths = {"folder": tmp_path / "drop", "mapping": tmp_path / "mapping.toml"}
    settings = Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "edge": {"outbox": tmp_path / "outbox.db"},
            "adapters": [adapter | paths | stated],
        }
    )
    return list(adapters(settings))


def test_what_is_never_opened_or_does_not_match_is_told_by_name(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "a.csv").write_text("")
    (drop / "readme\x1b[2J.txt").write_text("")
    (drop / "link.csv").symlink_to(tmp_path / "nothing")
    os.mkfifo(drop / "pipe\n.csv")
    (drop / "done").mkdir()
    fine, refused, other = told(tmp_path, pattern="*.csv")
    assert (fine.level, fine.text) == ("fine", f"folder {drop} can be read, 1 files in it")
    assert (refused.level, other.level) == ("notice", "notice")
    assert (
        refused.text
        == "2 entries are links, pipes or devices and are never opened: link.csv, pipe\\u000a.csv"
    )
    assert other.text == "1 file does not match '*.csv' and is left alone: readme\\u001b[2J.txt"


def test_of_many_names_the_first_are_told(tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    for number in range(30):
        (tmp_path / "drop" / f"{number:02}.txt").write_text("")
    _, other = told(tmp_path, pattern="*.csv")
    assert other.text.endswith(": 00.txt, 01.txt, 02.txt, 03.txt, 04.txt and 25 more")


def test_markers_and_companions_are_expected(tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    for name in ("a.csv", "a.csv.done", "setup-1.txt"):
        (tmp_path / "drop" / name).write_text("")
    (fine,) = told(tmp_path, rows() + COMPANION, pattern="*.csv", done_marker=".done")
    assert fine.level == "fine"


def test_a_folder_that_is_not_there_is_unreachable(tmp_path: Path) -> None:
    (finding,) = told(tmp_path)
    assert finding.level == "unreachable"
    assert "cannot be listed" in finding.text

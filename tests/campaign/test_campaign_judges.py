"""The campaign's judge and its disk can tell: each fault is found, and a disk without syncs forgets."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from campaigning import FOLDER, require_fuse, tool

SOURCE = "/harbour-works/smt/line-1/drop-files"


@pytest.fixture
def checker(monkeypatch: pytest.MonkeyPatch):
    return tool("checker", monkeypatch)


def plant(checker):
    written = {
        f"D-{n}": checker.Written(SOURCE, n // 4, n, f"HW-{n}", "passed", f"hash-{n}") for n in range(1, 5)
    }
    recorded = [
        checker.Recorded(truth, SOURCE, 7, one.order, one.board, one.outcome, one.raw_hash)
        for truth, one in written.items()
    ]
    return written, recorded


def test_a_whole_record_is_faultless_in_any_order(checker) -> None:
    written, recorded = plant(checker)
    verdict = checker.judge(written, written.keys(), written.keys(), recorded[::-1])
    assert verdict.faultless
    assert (verdict.attempted, verdict.receipted, verdict.recorded) == (4, 4, 4)


@pytest.mark.parametrize(
    ("fault", "change"),
    [
        ("lost", lambda events: events[1:]),
        ("doubled", lambda events: [*events, events[0]._replace(sequence=9)]),
        ("unexpected", lambda events: [*events, events[0]._replace(truth="D-99")]),
        ("misplaced", lambda events: [events[0]._replace(board="HW-2"), *events[1:]]),
        ("misplaced", lambda events: [events[0]._replace(source="/another"), *events[1:]]),
        ("altered", lambda events: [events[0]._replace(outcome="failed"), *events[1:]]),
        ("altered", lambda events: [events[0]._replace(raw_hash="other"), *events[1:]]),
        ("disordered", lambda events: [events[0]._replace(sequence=2), events[1]._replace(sequence=1), *events[2:]]),
    ],
)  # fmt: skip
def test_every_fault_is_found_and_named(checker, fault: str, change) -> None:
    written, recorded = plant(checker)
    verdict = checker.judge(written, set(), set(), change(recorded))
    assert not verdict.faultless
    assert getattr(verdict, fault)


def test_a_file_that_waits_while_a_later_one_is_read_is_counted_and_no_fault(checker) -> None:
    written, recorded = plant(checker)
    late = [*recorded[:3], recorded[3]._replace(sequence=0)]
    verdict = checker.judge(written, set(), set(), late)
    assert verdict.faultless
    assert verdict.crossed == ("D-1", "D-2", "D-3")


def test_a_stated_gap_excuses_what_is_missing_but_no_receipt(checker) -> None:
    written, recorded = plant(checker)
    assert checker.judge(written, set(), set(), recorded[1:], {"D-1"}).faultless
    verdict = checker.judge(written, set(), {"D-1"}, recorded[1:], {"D-1"})
    assert (verdict.lost, verdict.stated, verdict.broken) == ((), ("D-1",), ("D-1",))


PROBE = """
import os, sqlite3, sys
from pathlib import Path
from disk import Mounted

folder = Path(sys.argv[1])
with Mounted(folder / "disk", folder / "log", 1, strict=True) as disk:
    for synchronous in ("FULL", "NORMAL"):
        if os.fork() == 0:
            database = sqlite3.connect(folder / "disk" / f"{synchronous}.db", isolation_level=None)
            database.execute("PRAGMA journal_mode=WAL")
            database.execute(f"PRAGMA synchronous={synchronous}")
            database.execute("CREATE TABLE t (n)")
            database.execute("PRAGMA wal_checkpoint")
            for n in range(50):
                database.execute("INSERT INTO t VALUES (?)", (n,))
            os._exit(0)
        os.wait()
        disk.lose_power(gently=True)
        database = sqlite3.connect(folder / "disk" / f"{synchronous}.db")
        print(synchronous, database.execute("SELECT count(*) FROM t").fetchone()[0],
              database.execute("PRAGMA integrity_check").fetchone()[0])
        database.close()
"""


def test_the_disk_keeps_what_was_synced_and_nothing_else(tmp_path: Path) -> None:
    """SQLite's own promise is the measure: FULL is durable in a write-ahead log, NORMAL is not (sqlite.org, pragma)."""
    require_fuse()
    done = subprocess.run(
        [sys.executable, "-c", PROBE, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": f"{FOLDER}:{FOLDER.parents[1]}"},
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert done.stdout.split("\n")[:2] == ["FULL 50 ok", "NORMAL 0 ok"], done.stderr

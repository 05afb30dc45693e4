"""The campaign's judge and its disk can tell: each fault is found, and a disk without syncs forgets."""

import json
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


def event(sequence: int, epoch: int = 7, ident: int | None = None, board: str = "HW-1") -> bytes:
    told = {
        "source": SOURCE, "epoch": str(epoch), "sequence": f"{sequence:020d}", "type": "board.arrived",
        "id": f"g.{sequence if ident is None else ident}.0.1", "time": "2026-03-02T06:00:00Z", "data": {"boards": [board]},
    }  # fmt: skip
    return json.dumps(told).encode()


def given(checker, *bodies: bytes):
    return {
        checker.Number(SOURCE, int(told["epoch"]), int(told["sequence"])): body
        for body in bodies
        for told in [json.loads(body)]
    }


def test_numbers_without_holes_and_with_the_bytes_of_the_outbox_are_in_order(checker) -> None:
    bodies = [event(number) for number in range(1, 6)]
    assert checker.in_order(given(checker, *bodies), bodies, []) == (5, (), (), 0)


def test_what_is_sent_again_comes_late_and_that_is_allowed(checker) -> None:
    bodies = [event(number) for number in range(1, 6)]
    order = checker.in_order(given(checker, *bodies), [bodies[2], *bodies[:2], *bodies[3:]], [])
    assert (order.holes, order.unlike, order.late) == ((), (), 2)


@pytest.mark.parametrize(
    ("fault", "change"),
    [
        ("holes", lambda bodies: bodies[1:]),
        ("holes", lambda bodies: bodies[:-1]),
        ("holes", lambda bodies: []),
        ("unlike", lambda bodies: [*bodies, event(6)]),
        ("unlike", lambda bodies: [*bodies, event(1, epoch=8)]),
        ("unlike", lambda bodies: [*bodies, bodies[0]]),
        ("unlike", lambda bodies: [*bodies[1:], event(1, board="HW-2")]),
        ("unlike", lambda bodies: [event(2, ident=1), event(1, ident=2), *bodies[2:]]),
    ],
)  # fmt: skip
def test_numbers_that_are_not_the_outboxes_are_found(checker, fault: str, change) -> None:
    bodies = [event(number) for number in range(1, 6)]
    assert getattr(checker.in_order(given(checker, *bodies), change(bodies), []), fault)


def test_a_number_below_the_first_that_was_seen_is_a_hole(checker) -> None:
    assert len(checker.in_order(given(checker, event(3)), [event(3)], []).holes) == 2


def test_a_gap_closes_the_numbers_of_its_epoch_and_no_others(checker) -> None:
    bodies = [event(number) for number in range(1, 6)]
    lacking = bodies[:2]
    for gap, holes in (
        (checker.Gap(SOURCE, 7, 3, None), 0),
        (checker.Gap(SOURCE, 7, 3, 4), 1),
        (checker.Gap(SOURCE, 8, 3, None), 3),
        (checker.Gap("/another", 7, 3, None), 3),
    ):
        assert len(checker.in_order(given(checker, *bodies), lacking, [gap]).holes) == holes


def test_an_event_read_again_into_another_epoch_is_there_if_it_says_the_same(checker) -> None:
    first = [event(1), event(2)]
    again = [event(1, epoch=8, ident=2), event(2, epoch=8, ident=1, board="HW-2")]
    order = checker.in_order(given(checker, *first, *again), first, [])
    assert order.holes == (f"{SOURCE} epoch 8 number 2",)
    assert not order.unlike


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

"""Backup and restore by command, while a writer writes; what happens after an unclean end."""

import asyncio
import itertools
import json
import logging
import os
import signal
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from contracts.arrivals import EPOCH, SOURCE, run_of

from broker_bridge.cli.main import main
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import ConfigError, NotFound, RecordDamaged, StoreVersionError
from broker_bridge.store.restoring import restore
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


async def opened(path: Path) -> SqliteStore:
    return await SqliteStore.open(path, "record", now=itertools.count(1_790_000_000_000_000).__next__)


def wrote(path: Path, first: int, last: int) -> int:
    """Write these events and close; the record's incarnation."""

    async def write() -> int:
        store = await opened(path)
        try:
            if last:
                await store.commit(run_of(first, last))
            return (await store.head()).incarnation
        finally:
            await store.close()

    return asyncio.run(write())


def damaged(path: Path) -> list[str]:
    reader = SqliteReader(path)
    try:
        return [finding for finding in reader.verify() if finding]
    finally:
        reader.close()


def test_a_backup_is_taken_by_command_while_a_writer_writes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "record.db"

    async def story() -> list[int]:
        store = await opened(path)
        numbers = itertools.count(1)
        stop = asyncio.Event()

        async def write() -> None:
            while not stop.is_set():
                number = next(numbers) * 10
                await store.commit(run_of(number - 9, number))

        await store.commit(run_of(100_001, 100_001))
        writing = asyncio.create_task(write())
        events = []
        for count in range(3):
            code = await asyncio.to_thread(
                main, ["backup", "--record", f"sqlite:///{path}", str(tmp_path / f"{count}.db"), "--json"]
            )
            assert code == 0
            events.append(json.loads(capsys.readouterr().out)["events"])
        stop.set()
        await writing
        await store.close()
        return events

    events = asyncio.run(story())
    assert events == sorted(events)
    for count, expected in enumerate(events):
        copy = tmp_path / f"{count}.db"
        assert damaged(copy) == []
        reader = SqliteReader(copy)
        head = reader.head()
        # Whole commits only: the first holds one event, every other ten.
        assert (head.number, head.number % 10) == (expected, 1)
        reader.close()
        assert not copy.with_name(copy.name + "-wal").exists()


def test_a_backup_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "record.db"
    wrote(path, 1, 5)
    target = tmp_path / "copy.db"
    target.write_text("mine")
    assert main(["backup", "--record", f"sqlite:///{path}", str(target)]) == 4
    assert "overwrites nothing" in capsys.readouterr().err
    assert target.read_text() == "mine"
    assert main(["backup", "--record", f"sqlite:///{path}", str(tmp_path)]) == 0
    assert len(list(tmp_path.glob("record-2*.db"))) == 1


def test_a_restored_record_has_a_new_incarnation_each_time(tmp_path: Path) -> None:
    path, copy = tmp_path / "record.db", tmp_path / "copy.db"
    first = wrote(path, 1, 5)
    reader = SqliteReader(path)
    reader.backup(copy)
    reader.close()
    wrote(path, 6, 9)
    incarnations = [first]
    for count in range(3):
        done = restore(copy, path, NOW + timedelta(seconds=count))
        assert (done.events, done.commit) == (5, 1)
        assert done.replaced is not None
        assert damaged(done.replaced) == []
        incarnations.append(wrote(path, 0, 0))
    assert incarnations == sorted(set(incarnations))
    assert wrote(path, 0, 0) == incarnations[-1]  # an ordinary start changes nothing
    reader = SqliteReader(path)
    (progress,) = reader.progress()
    reader.close()
    assert (progress.source, progress.epoch, progress.contiguous) == (SOURCE, EPOCH, 5)


def test_a_record_restored_on_a_new_machine_is_known_for_one(tmp_path: Path) -> None:
    path, copy = tmp_path / "record.db", tmp_path / "copy.db"
    first = wrote(path, 1, 5)
    reader = SqliteReader(path)
    reader.backup(copy)
    reader.close()
    elsewhere = tmp_path / "elsewhere" / "record.db"
    assert restore(copy, elsewhere, NOW).replaced is None
    # The old machine may have been restored itself before it was lost: the time is ahead of that as well.
    assert wrote(elsewhere, 0, 0) > max(first, int(NOW.timestamp() * 1000))


def test_nothing_is_replaced_while_a_recorder_runs(tmp_path: Path) -> None:
    path, copy = tmp_path / "record.db", tmp_path / "copy.db"
    wrote(path, 1, 5)
    reader = SqliteReader(path)
    reader.backup(copy)
    reader.close()

    async def story() -> None:
        store = await opened(path)
        try:
            script = (
                "import sys; from pathlib import Path; from datetime import datetime, UTC\n"
                "from broker_bridge.store.restoring import restore\n"
                "restore(Path(sys.argv[1]), Path(sys.argv[2]), datetime.now(UTC))"
            )
            done = await asyncio.to_thread(
                subprocess.run, [sys.executable, "-c", script, str(copy), str(path)], capture_output=True, text=True,
                timeout=30,
            )  # fmt: skip
            assert "already writes this record" in done.stderr
            await store.commit(run_of(6, 7))
        finally:
            await store.close()

    asyncio.run(story())
    assert damaged(path) == []


def test_a_backup_that_cannot_be_used_replaces_nothing(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    wrote(path, 1, 5)
    before = path.read_bytes()
    with pytest.raises(NotFound):
        restore(tmp_path / "absent.db", path, NOW)
    other = tmp_path / "other.db"
    other.write_text("no database at all" * 100)
    with pytest.raises(StoreVersionError):
        restore(other, path, NOW)
    copy = tmp_path / "copy.db"
    reader = SqliteReader(path)
    reader.backup(copy)
    reader.close()
    raw = bytearray(copy.read_bytes())
    raw[4096 * 3 : 4096 * 4] = bytes(4096)
    copy.write_bytes(raw)
    with pytest.raises(RecordDamaged, match="take an older backup"):
        restore(copy, path, NOW)
    assert path.read_bytes() == before
    newer = tmp_path / "newer.db"
    newer.write_bytes(before)
    connection = sqlite3.connect(newer)
    connection.execute("PRAGMA user_version=99")
    connection.close()
    with pytest.raises(StoreVersionError, match=r"version 99, newer than this program knows .* upgrade"):
        restore(newer, path, NOW)
    assert main(["verify", "--record", f"sqlite:///{newer}"]) == 3


def test_a_backup_of_another_record_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, config = tmp_path / "other.db", tmp_path / "plant.toml"
    wrote(path, 1, 5)
    config.write_text('[plant]\nsite = "harbour-works"\n[record]\nname = "second"\n')
    assert main(["restore", "--config", str(config), str(path)]) == 3
    assert "is of the record 'record', the configuration says 'second'" in capsys.readouterr().err


# -- an unclean end


def killed(path: Path) -> None:
    """A process opens the record, commits and is killed."""
    script = (
        "import asyncio, os, signal, sys; sys.path[:0] = ['.', 'tests']; from pathlib import Path\n"
        "from broker_bridge.store.sqlite import SqliteStore; from contracts.arrivals import run_of\n"
        "async def main():\n"
        "    store = await SqliteStore.open(Path(sys.argv[1]), 'record')\n"
        "    await store.commit(run_of(1, 300))\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "asyncio.run(main())"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", script, str(path)], cwd=root, timeout=60)
    assert done.returncode == -signal.SIGKILL


def test_an_unclean_end_is_noticed_looked_through_and_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "record.db"
    killed(path)
    with caplog.at_level(logging.INFO):
        wrote(path, 301, 302)
    assert "ended without closing it; looking through" in caplog.text
    assert "in order, after" in caplog.text
    caplog.clear()
    with caplog.at_level(logging.INFO):
        wrote(path, 303, 304)
    assert "without closing" not in caplog.text
    assert damaged(path) == []


def test_a_record_that_an_unclean_end_has_damaged_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    killed(path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    raw = bytearray(path.read_bytes())
    for page in range(20, len(raw) // 4096 - 1):
        raw[page * 4096 : page * 4096 + 16] = os.urandom(16)
    path.write_bytes(raw)
    with pytest.raises(RecordDamaged, match=r"(?s)after an unclean end: .* `broker-bridge restore`"):
        wrote(path, 301, 302)
    assert path.read_bytes() == raw


def test_an_outbox_is_looked_through_too(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "outbox.db"

    async def story() -> None:
        outbox = await Outbox.open(path, archive=Archive(tmp_path), ceiling_bytes=10**6)
        await outbox.close()

    asyncio.run(story())
    (tmp_path / "outbox.db.lock").write_text("4711")
    with caplog.at_level(logging.INFO):
        asyncio.run(story())
    assert "process 4711 ended without closing it" in caplog.text


def test_a_clean_end_leaves_nothing_to_look_through(tmp_path: Path) -> None:
    wrote(tmp_path / "record.db", 1, 1)
    assert (tmp_path / "record.db.lock").read_text() == ""
    with pytest.raises(ConfigError):
        asyncio.run(SqliteStore.open(tmp_path / "record.db", "another"))


def test_record_backup_and_restored_record_are_not_for_everybody(tmp_path: Path) -> None:
    path, copy = tmp_path / "record.db", tmp_path / "copy.db"
    before = os.umask(0o022)
    try:
        wrote(path, 1, 5)
        reader = SqliteReader(path)
        reader.backup(copy)
        reader.close()
        restore(copy, path, datetime.now(UTC))
    finally:
        os.umask(before)
    assert [one.stat().st_mode & 0o777 for one in (path, copy)] == [0o640, 0o640]

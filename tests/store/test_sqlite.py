"""The record in SQLite: the contract, and what only a file can do."""

import asyncio
import base64
import itertools
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import zstandard
from contracts.arrivals import EPOCH, SOURCE, arrival, board_arrived, run_of
from contracts.store_contract import Driven, StoreContract, refusal

from broker_bridge.errors import ConfigError, NotFound, RecordDamaged, StoreUnavailable, StoreVersionError
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceRejected
from broker_bridge.store import sqlite_reader
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

Opening = Callable[..., Driven]


@pytest.fixture
def opened() -> Iterator[Opening]:
    """Opens records and closes at the end what a test left open: a writer's thread keeps the process alive."""
    everything: list[Driven] = []

    def open_at(path: Path, name: str = "record", first: int = 1_790_000_000_000_000) -> Driven:
        ticks = itertools.count(first)
        everything.append(
            Driven(SqliteStore.open(path, name, now=ticks.__next__), lambda _: SqliteReader(path))
        )
        return everything[-1]

    yield open_at
    for driven in everything:
        driven.close()


class TestSqliteStore(StoreContract):
    @pytest.fixture
    def driven(self, tmp_path: Path, opened: Opening) -> Driven:
        return opened(tmp_path / "record.db")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def findings(path: Path) -> list[str]:
    reader = SqliteReader(path)
    try:
        return [finding for finding in reader.verify() if finding]
    finally:
        reader.close()


def asked(driven: Driven, sql: str) -> list[tuple[Any, ...]]:
    """What the writer's own connection answers."""
    return driven.runner.run(driven.writer._thread.run(lambda connection: connection.execute(sql).fetchall()))


def changed_by_hand(path: Path, sql: str, *parameters: object) -> None:
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(sql, parameters)
    connection.close()


# -- one writer --------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_who_writes(path: Path, opened: Opening) -> None:
    driven = opened(path)
    with pytest.raises(ConfigError, match=str(os.getpid())):
        opened(path)
    driven.close()
    opened(path).close()


def test_a_record_keeps_its_name(path: Path, opened: Opening) -> None:
    opened(path, "north").close()
    with pytest.raises(ConfigError, match=r"'north'.*'south'"):
        opened(path, "south")
    opened(path, "north").close()


def test_a_newer_record_is_refused(path: Path, opened: Opening) -> None:
    opened(path).close()
    changed_by_hand(path, "PRAGMA user_version = 99")
    with pytest.raises(StoreVersionError, match="99"):
        opened(path)
    with pytest.raises(StoreVersionError, match="upgrade"):
        SqliteReader(path)


def test_another_database_is_refused(path: Path, opened: Opening) -> None:
    changed_by_hand(path, "CREATE TABLE something (x)")
    with pytest.raises(StoreVersionError):
        opened(path)
    with pytest.raises(NotFound):
        SqliteReader(path.with_name("none.db"))


# -- failures ------------------------------------------------------------------------------------------------


def test_a_commit_that_cannot_be_written_leaves_nothing_and_may_be_repeated(
    path: Path, opened: Opening
) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 2))
    asked(driven, "PRAGMA busy_timeout = 1")
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    fresh = arrival(3, generation="new", source="/harbour/smt/line-2/spi")
    with pytest.raises(StoreUnavailable):
        driven.commit([fresh])
    blocker.execute("ROLLBACK")
    blocker.close()
    assert driven.reader.head().number == 2
    assert driven.commit([fresh, *run_of(3, 3)]).new == 2
    assert findings(path) == []
    driven.close()


def test_a_disk_that_is_full_leaves_nothing_and_the_commit_may_be_repeated(
    path: Path, opened: Opening
) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 1))
    pages = asked(driven, "PRAGMA page_count")[0][0]
    asked(driven, f"PRAGMA max_page_count = {pages}")
    large = arrival(2)._replace(body=arrival(2).body + b" " * 4000)
    with pytest.raises(StoreUnavailable, match="full"):
        driven.commit([large, *run_of(3, 100)])
    assert driven.head().number == 1
    asked(driven, "PRAGMA max_page_count = 1000000")
    assert driven.commit([large, *run_of(3, 100)]).new == 99
    assert driven.progress()[0].contiguous == 100
    driven.close()


def test_a_cancelled_commit_leaves_the_writer_usable(path: Path, opened: Opening) -> None:
    driven = opened(path)
    events = run_of(1, 50)

    async def cancelled(turns: int) -> None:
        task = asyncio.ensure_future(driven.writer.commit(events))
        for _ in range(turns):
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    for turns in range(12):
        driven.runner.run(cancelled(turns))
    done = driven.commit(events)
    assert done.new + done.duplicates == 50
    assert driven.reader.head().number == 50
    assert findings(path) == []
    driven.close()


WRITER = """
import asyncio, sys
from contracts.arrivals import run_of
from broker_bridge.store.sqlite import SqliteStore
from pathlib import Path

async def write():
    store = await SqliteStore.open(Path(sys.argv[1]), "record")
    done = (await store.head()).number
    while True:
        await store.commit(run_of(done + 1, done + 7))
        done += 7
        print(done, flush=True)

asyncio.run(write())
"""


def test_a_killed_writer_leaves_whole_commits_and_all_it_told_of(path: Path) -> None:
    chance = random.Random(7)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(["tests", "."])}
    incarnations = set()
    told = 0
    for _ in range(4):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, env=environment, text=True
        )
        assert writer.stdout is not None
        for _ in range(chance.randrange(1, 12)):
            told = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split()
        told = int(rest[-1]) if rest else told
        writer.wait()
        writer.stdout.close()
        reader = SqliteReader(path)
        head = reader.head()
        assert head.number >= told
        assert head.number % 7 == 0
        assert head.number == 7 * head.commit
        assert [fact.number for fact in reader.after(0, 10_000)] == list(range(1, head.number + 1))
        (progress,) = reader.progress()
        assert (progress.contiguous, progress.above) == (head.number, ())
        incarnations.add(head.incarnation)
        reader.close()
    assert len(incarnations) == 1
    assert findings(path) == []


# -- backups -------------------------------------------------------------------------------------------------


def test_a_backup_is_taken_while_the_writer_goes_on(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 200))
    started = threading.Event()
    copies = [path.with_name(f"copy-{number}.db") for number in range(3)]

    def copy() -> None:
        reader = SqliteReader(path)
        for target in copies:
            reader.backup(target)
            started.set()
        reader.close()

    copying = threading.Thread(target=copy)
    copying.start()
    number = 200
    while copying.is_alive() or not started.is_set():
        driven.commit(run_of(number + 1, number + 5))
        number += 5
    copying.join()
    for target in copies:
        reader = SqliteReader(target)
        head = reader.head()
        assert 200 <= head.number <= number
        assert reader.progress()[0].contiguous == head.number
        reader.close()
        assert findings(target) == []
    reader = SqliteReader(path)
    with pytest.raises(StoreUnavailable, match="overwrites nothing"):
        reader.backup(copies[0])
    reader.close()
    driven.close()


def test_a_restored_backup_raises_the_incarnation(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 3))
    backup = path.with_name("yesterday.db")
    driven.reader.backup(backup)
    driven.commit(run_of(4, 9))
    before = driven.head()
    driven.close()

    path.unlink()
    backup.rename(path)
    restored = opened(path)
    assert restored.head().number == 3
    assert restored.head().incarnation == before.incarnation + 1
    assert restored.commit(run_of(1, 9)).new == 6
    restored.close()
    again = opened(path)
    assert again.head().incarnation == before.incarnation + 1
    again.close()


def test_a_killed_machine_may_leave_the_mark_behind_the_record(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 3))
    old_mark = path.with_name("record.db.mark").read_bytes()
    driven.commit(run_of(4, 6))
    incarnation = driven.head().incarnation
    driven.close()
    path.with_name("record.db.mark").write_bytes(old_mark)
    again = opened(path)
    assert again.head().incarnation == incarnation
    again.close()


@pytest.mark.parametrize("content", [b"", b"\x00" * 42, b"nonsense here\n"])
def test_a_mark_that_cannot_be_read_counts_as_restored(path: Path, content: bytes, opened: Opening) -> None:
    driven = opened(path)
    incarnation = driven.head().incarnation
    driven.close()
    path.with_name("record.db.mark").write_bytes(content)
    again = opened(path)
    assert again.head().incarnation == incarnation + 1
    again.close()


def test_a_record_made_anew_is_another_incarnation(path: Path, opened: Opening) -> None:
    driven = opened(path)
    incarnation = driven.head().incarnation
    driven.commit(run_of(1, 3))
    driven.close()
    path.unlink()
    anew = opened(path, first=1_700_000_000_000_000)
    assert anew.head().incarnation > incarnation
    anew.close()


# -- proof ---------------------------------------------------------------------------------------------------


def test_a_flipped_byte_is_found(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit([arrival(1), arrival(2, board="HW-FINDME")], [refusal(b"refused bytes")])
    driven.commit([arrival(1, board="HW-OTHER")])
    driven.close()
    assert findings(path) == []
    whole = path.read_bytes()
    for place, told in [
        (b"HW-FINDME", "event 2"),
        (b"refused bytes", "refusal 1"),
        (b"HW-OTHER", "conflict 1"),
    ]:
        at = whole.index(place)
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        (found,) = findings(path)
        assert told in found
        assert "not those that were committed" in found


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("sequence", 77, "sequence is 77, its bytes say 2"),
        ("position", 5, "id is 'gen.5.0.1'"),
        ("time", 0, "time is 0"),
        ("generation", 99, "source is None"),
        ("type", 99, "type is None"),
        ("commit_no", 9, "not among the events of its commit 9"),
        ("encoding", 1, "cannot be decompressed"),
        ("encoding", 7, "unknown encoding 7"),
    ],
)
def test_an_index_that_contradicts_the_bytes_is_found(
    path: Path, column: str, value: int, told: str, opened: Opening
) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 3))
    driven.close()
    changed_by_hand(path, f"UPDATE events SET {column} = ? WHERE number = 2", value)
    (found,) = findings(path)
    assert found.startswith("event 2: ")
    assert told in found


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM types",
        "DELETE FROM sources",
        "UPDATE events SET body = x'5b00'",
        "UPDATE events SET body = CAST('[]' AS BLOB)",
        "UPDATE events SET time = 9223372036854775807",
        "UPDATE events SET body = zeroblob(9), encoding = 1",
    ],
)
def test_a_record_that_is_not_as_it_was_written_is_damaged_in_one_sentence(
    path: Path, sql: str, opened: Opening
) -> None:
    """Each of these once ended a question with a Python error."""
    driven = opened(path)
    driven.commit(run_of(1, 3))
    driven.close()
    changed_by_hand(path, sql)
    reader = SqliteReader(path)
    for question in (lambda: reader.after(0, 10), lambda: reader.facts([2])):
        with pytest.raises(RecordDamaged):
            question()
    reader.close()
    assert any(f"event {number}: " in finding for finding in findings(path) for number in (1, 2, 3))


def test_events_read_last_are_kept_and_no_more(
    path: Path, opened: Opening, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite_reader, "_KEPT", 3)
    driven = opened(path)
    large = arrival(9)._replace(body=arrival(9).body[:-1] + b" " * 9_000 + b"}")
    driven.commit([*run_of(1, 8), large])
    reader = SqliteReader(path)
    (first,) = reader.facts([1])
    assert reader.facts([1, 9, 1])[::2] == [first, first]
    assert reader.facts([1])[0] is first
    assert reader.facts([9])[0] is not reader.facts([9])[0], "large ones are read anew"
    assert [fact.number for fact in reader.facts([2, 3, 4, 1])] == [2, 3, 4, 1]
    assert reader.facts([1])[0] is not first
    assert reader.facts([1]) == [first]
    assert reader.facts(range(1, 10)) == reader.after(0, 10)
    reader.close()


def test_a_source_that_is_gone_is_damage(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 3))
    driven.close()
    changed_by_hand(path, "DELETE FROM sources")
    reader = SqliteReader(path)
    with pytest.raises(RecordDamaged, match="no source 1"):
        reader.siblings([1])
    reader.close()


def test_a_schema_that_is_no_text_is_damage(path: Path, opened: Opening) -> None:
    opened(path).close()
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"CREATE TABLE generations", b"CREATE TAB\x80E generations"))
    with pytest.raises((RecordDamaged, StoreUnavailable)):
        SqliteReader(path)


def test_a_hash_that_is_none_is_damage(path: Path, opened: Opening) -> None:
    """Bytes that go bad on a disk keep no rule of a table."""
    driven = opened(path)
    driven.commit(run_of(1, 3))
    driven.close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("UPDATE sqlite_schema SET sql = replace(sql, ' STRICT', '') WHERE name = 'events'")
    connection.commit()
    connection.close()
    changed_by_hand(path, "UPDATE events SET leaf = ? WHERE number = 2", "leaf")
    reader = SqliteReader(path)
    with pytest.raises(RecordDamaged, match="event 2"):
        reader.digest(3)
    reader.close()
    assert any(finding.startswith("event 2: ") for finding in findings(path))


def test_a_progress_that_cannot_be_read_is_damage(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 3))
    driven.close()
    changed_by_hand(path, "UPDATE epochs SET above = '[7'")
    reader = SqliteReader(path)
    with pytest.raises(RecordDamaged, match="progress"):
        reader.progress()
    reader.close()


def test_a_stored_body_that_swells_is_refused_before_it_takes_memory(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 1))
    driven.close()
    bomb = zstandard.ZstdCompressor().compress(bytes(65 * 2**20))
    changed_by_hand(path, "UPDATE events SET body = ?, encoding = 1", bomb)
    reader = SqliteReader(path)
    with pytest.raises(RecordDamaged, match="more than"):
        reader.body(1)
    reader.close()


def test_events_that_are_gone_are_found(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit(run_of(1, 5))
    driven.close()
    changed_by_hand(path, "DELETE FROM events WHERE number IN (2, 3, 5)")
    assert findings(path) == ["events 2 to 3 are gone", "events 5 to 5 are gone"]


# -- size and speed --------------------------------------------------------------------------------------------


def test_a_block_of_base64_shrinks_to_the_bytes_it_stands_for(path: Path, opened: Opening) -> None:
    # 8.4 bytes a pad is what packed and compressed columns need; random bytes cannot be compressed further.
    pads = 5000
    packed = random.Random(1).randbytes(int(pads * 8.4))
    origin = Origin(adapter="spi")
    said = SourceRejected(reason=base64.b64encode(packed).decode()[:8000], origin=origin)
    event = arrival(1, data=said)
    body = event.body.replace(said.reason.encode(), base64.b64encode(packed))
    driven = opened(path)
    driven.commit([event._replace(body=body)])
    stored = asked(driven, "SELECT length(body), encoding FROM events")[0]
    assert stored[1] == 1
    assert stored[0] <= 9 * pads
    assert driven.reader.body(1) == body
    driven.close()


def test_a_reader_starts_without_models_and_event_loop(path: Path, opened: Opening) -> None:
    driven = opened(path)
    driven.commit([arrival(1, data=board_arrived("HW-0001"))])
    driven.close()
    code = (
        "import sys; from pathlib import Path; from broker_bridge.store.sqlite_reader import SqliteReader\n"
        "reader = SqliteReader(Path(sys.argv[1])); reader.facts([1]); reader.progress(); reader.close()\n"
        "print([name for name in ('pydantic', 'asyncio', 'aiosqlite', 'zstandard', 'logging', 'hashlib') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# -- old records -----------------------------------------------------------------------------------------------


def test_a_record_of_version_1_is_read_and_written(tmp_path: Path, opened: Opening) -> None:
    """data/record-v1.db was written by version 1 of the schema (tests/store/data/make_record_v1.py)."""
    path = tmp_path / "record.db"
    path.write_bytes((Path(__file__).parent / "data" / "record-v1.db").read_bytes())
    driven = opened(path)
    assert driven.reader.head()[2:] == (5, 8)
    (progress,) = driven.reader.progress()
    assert (progress.source, progress.epoch, progress.contiguous, progress.missing()) == (
        SOURCE,
        EPOCH,
        10,
        ((11, 12),),
    )
    assert [row.refusal.body for row in driven.reader.refusals()] == [b"not json"]
    assert [conflict.event for conflict in driven.reader.conflicts()] == [1]
    assert driven.reader.number_of(SOURCE, "gen.300.0.1") == 3
    assert driven.reader.facts([3])[0].data["boards"][0]["identifiers"][0]["value"] == "HW-0003"
    assert findings(path) == []
    assert driven.commit(run_of(1, 3)).duplicates == 3
    assert driven.commit([arrival(11, generation="later")]).new == 1
    driven.close()

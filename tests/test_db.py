"""The one door to SQLite: how it opens, how it migrates, what it refuses, what a failure leaves behind."""

import asyncio
import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from broker_bridge import db
from broker_bridge.db import Kind, file_system, lock, open_reader, open_writer, split_script, transaction
from broker_bridge.edge.survey import in_use
from broker_bridge.errors import ConfigError, NotFound, StoreUnavailable, StoreVersionError

if TYPE_CHECKING:
    from aiosqlite import Connection

FIRST = "CREATE TABLE board (id TEXT PRIMARY KEY, note TEXT) STRICT; CREATE INDEX by_note ON board (note);"
SECOND = "ALTER TABLE board ADD COLUMN lane INTEGER; UPDATE board SET lane = 1;"
KIND = Kind("notebook", 0x0B0B, (FIRST, SECOND))
OLD = KIND._replace(migrations=(FIRST,))


def with_writer(path: Path, use: Callable[["Connection"], Awaitable[Any]], kind: Kind = KIND) -> Any:
    """Open, use, close."""

    async def run() -> Any:
        connection = await open_writer(path, kind)
        try:
            return await use(connection)
        finally:
            await connection.close()

    return asyncio.run(run())


async def nothing(connection: "Connection") -> None:
    """Open and close only."""


async def one(connection: "Connection", sql: str) -> Any:
    async with connection.execute(sql) as cursor:
        row = await cursor.fetchone()
    assert row is not None
    return row[0]


def look(path: Path, sql: str) -> list[Any]:
    """What another program sees."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "notebook.db"


def test_a_writer_is_durable_and_waits(path: Path) -> None:
    """synchronous 2 is FULL (sqlite.org/pragma.html)."""

    async def pragmas(connection: "Connection") -> dict[str, Any]:
        names = (
            "journal_mode",
            "synchronous",
            "foreign_keys",
            "busy_timeout",
            "application_id",
            "user_version",
        )
        return {name: await one(connection, f"PRAGMA {name}") for name in names}

    assert with_writer(path, pragmas) == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": db.BUSY_MS,
        "application_id": KIND.application_id,
        "user_version": 2,
    }


def test_only_missing_migrations_run(path: Path) -> None:
    async def write(connection: "Connection") -> None:
        await connection.execute("INSERT INTO board (id) VALUES ('B1')")

    with_writer(path, write, OLD)
    assert look(path, "PRAGMA user_version") == [(1,)]
    with_writer(path, nothing)
    assert look(path, "SELECT id, lane FROM board") == [("B1", 1)]
    with_writer(path, nothing)
    assert look(path, "PRAGMA user_version") == [(2,)]


def test_a_migration_and_its_record_commit_together(path: Path) -> None:
    with_writer(path, nothing, OLD)
    broken = KIND._replace(migrations=(FIRST, SECOND + "INSERT INTO nowhere VALUES (1);"))
    with pytest.raises(StoreUnavailable, match="nowhere"):
        with_writer(path, nothing, broken)
    assert look(path, "PRAGMA user_version") == [(1,)]
    assert [row[1] for row in look(path, "PRAGMA table_info(board)")] == ["id", "note"]
    with_writer(path, nothing)
    assert look(path, "PRAGMA user_version") == [(2,)]


@pytest.mark.parametrize("turn", range(5))
def test_who_opens_at_the_same_moment_finds_the_schema_made(path: Path, turn: int) -> None:
    async def run() -> list[int]:
        connections = await asyncio.gather(*(open_writer(path, KIND) for _ in range(8)))
        versions = [(await (await one.execute("PRAGMA user_version")).fetchone())[0] for one in connections]
        for one in connections:
            await one.close()
        return versions

    assert asyncio.run(run()) == [2] * 8


def test_a_first_migration_that_fails_leaves_no_mark(path: Path) -> None:
    with pytest.raises(StoreUnavailable):
        with_writer(path, nothing, KIND._replace(migrations=(FIRST + "INSERT INTO nowhere VALUES (1);",)))
    assert look(path, "SELECT count(*) FROM sqlite_schema") == [(0,)]
    assert look(path, "PRAGMA application_id") == [(0,)]
    with_writer(path, nothing)


def test_a_newer_database_is_refused_and_left_alone(path: Path) -> None:
    with_writer(path, nothing)
    before = path.read_bytes()
    with pytest.raises(StoreVersionError, match=r"notebook of version 2, newer.*\(1\): upgrade"):
        with_writer(path, nothing, OLD)
    with pytest.raises(StoreVersionError, match="version 2"):
        open_reader(path, OLD)
    assert path.read_bytes() == before


@pytest.mark.parametrize("mark", [0, 7])
def test_a_foreign_database_is_refused_and_left_alone(tmp_path: Path, mark: int) -> None:
    path = tmp_path / "foreign.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE other (x)")
    connection.execute(f"PRAGMA application_id={mark}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(
        StoreVersionError, match=rf"foreign\.db is not a notebook of this program \(mark {mark:#x}"
    ):
        with_writer(path, nothing)
    with pytest.raises(StoreVersionError, match="not a notebook"):
        open_reader(path, KIND)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("a shopping list, long enough to be looked at as a database file header would be\n" * 50)
    before = path.read_bytes()
    with pytest.raises(StoreVersionError, match=r"notes\.txt is not a database"):
        with_writer(path, nothing)
    with pytest.raises(StoreVersionError, match=r"notes\.txt is not a database"):
        open_reader(path, KIND)
    assert path.read_bytes() == before


def test_a_place_that_cannot_be_opened_is_unavailable(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable):
        with_writer(tmp_path, nothing)
    with pytest.raises(StoreUnavailable):
        open_reader(tmp_path, KIND)


def test_a_reader_reads_and_does_not_write(path: Path) -> None:
    with pytest.raises(NotFound, match=r"there is no notebook at .*notebook\.db"):
        open_reader(path, KIND)
    assert not path.exists()

    async def write(connection: "Connection") -> None:
        async with transaction(connection):
            await connection.execute("INSERT INTO board (id) VALUES ('B1')")
        reader = open_reader(path, KIND)
        try:
            assert reader.execute("SELECT id FROM board").fetchall() == [("B1",)]
            with pytest.raises(sqlite3.OperationalError, match="readonly"):
                reader.execute("DELETE FROM board")
        finally:
            reader.close()

    with_writer(path, write)


def test_names_that_mean_something_in_an_address_open(tmp_path: Path) -> None:
    path = tmp_path / "what? 100% #1.db"
    with_writer(path, nothing)
    reader = open_reader(path, KIND)
    assert reader.execute("PRAGMA user_version").fetchone() == (2,)
    reader.close()


def test_a_transaction_begins_as_a_writer(path: Path) -> None:
    """IMMEDIATE: whoever begins has the write lock, and does not find out at the first statement."""

    async def check(connection: "Connection") -> None:
        async with transaction(connection):
            other = sqlite3.connect(path, timeout=0, isolation_level=None)
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                other.execute("BEGIN IMMEDIATE")
            other.close()

    with_writer(path, check)


def test_busy_for_too_long_is_unavailable(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(db, "BUSY_MS", 10)

    async def check(connection: "Connection") -> None:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match="locked"):
            async with transaction(connection):
                pytest.fail("began although another one writes")
        other.close()
        async with transaction(connection):
            await connection.execute("INSERT INTO board (id) VALUES ('B1')")

    with_writer(path, check)


@pytest.mark.parametrize("error", [ValueError("mine"), KeyboardInterrupt(), asyncio.CancelledError()])
def test_any_exception_rolls_back_and_passes_through(path: Path, error: BaseException) -> None:
    async def check(connection: "Connection") -> None:
        with pytest.raises(type(error)):  # noqa: PT012  # what is raised inside has to come out
            async with transaction(connection):
                await connection.execute("INSERT INTO board (id) VALUES ('B1')")
                raise error
        assert not connection.in_transaction
        assert await one(connection, "SELECT count(*) FROM board") == 0
        async with transaction(connection):
            await connection.execute("INSERT INTO board (id) VALUES ('B2')")

    with_writer(path, check)
    assert look(path, "SELECT id FROM board") == [("B2",)]


def test_a_stop_in_the_middle_of_a_commit_is_a_stop(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commit goes on in its thread: when it is to be rolled back there is nothing any more that could be."""

    async def use(connection: "Connection") -> None:
        monkeypatch.setattr(type(connection), "in_transaction", property(lambda _: True))
        with pytest.raises(asyncio.CancelledError):  # noqa: PT012  # what is raised inside has to come out
            async with transaction(connection):
                await connection.execute("INSERT INTO board VALUES ('B1', NULL, 1)")
                await connection.execute("COMMIT")
                raise asyncio.CancelledError

    with_writer(path, use)


def test_a_broken_rule_of_the_schema_is_our_bug_and_passes_through(path: Path) -> None:
    async def check(connection: "Connection") -> None:
        with pytest.raises(sqlite3.IntegrityError):
            async with transaction(connection):
                await connection.execute("INSERT INTO board (id) VALUES ('B1'), ('B1')")
        assert not connection.in_transaction

    with_writer(path, check)


def test_a_full_disk_is_unavailable_and_leaves_the_last_commit(path: Path) -> None:
    """A page limit gives SQLITE_FULL, the code of a full disk (sqlite.org/rescode.html#full)."""

    async def check(connection: "Connection") -> None:
        async with transaction(connection):
            await connection.execute("INSERT INTO board (id) VALUES ('B1')")
        pages = await one(connection, "PRAGMA page_count")
        await one(connection, f"PRAGMA max_page_count={pages + 1}")
        with pytest.raises(StoreUnavailable, match="disk is full"):
            async with transaction(connection):
                await connection.execute("INSERT INTO board (id, note) VALUES ('B2', ?)", ("x" * 100_000,))
        assert not connection.in_transaction
        await one(connection, f"PRAGMA max_page_count={pages + 1000}")
        async with transaction(connection):
            await connection.execute("INSERT INTO board (id, note) VALUES ('B3', ?)", ("x" * 100_000,))

    with_writer(path, check)
    assert look(path, "SELECT id FROM board ORDER BY id") == [("B1",), ("B3",)]
    assert look(path, "PRAGMA integrity_check") == [("ok",)]


MOUNTS = r"""
proc /proc proc rw 0 0
/dev/sda1 / ext4 rw 0 0
server:/plant /plant nfs4 rw 0 0
//pc/share /mnt/line\040one cifs rw 0 0
/dev/sdb1 /plant/local xfs rw 0 0
host /guest 9p rw 0 0
me@server:/far /far fuse.sshfs rw 0 0
tmpfs /plantation tmpfs rw 0 0
"""


@pytest.fixture
def mounts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with these mounts, instead of the one the test runs on."""
    read = Path.read_text

    def fake(self: Path, *args: Any, **kwargs: Any) -> str:
        return MOUNTS.lstrip() if str(self) == "/proc/self/mounts" else read(self, *args, **kwargs)

    monkeypatch.setattr(Path, "read_text", fake)


@pytest.mark.usefixtures("mounts")
@pytest.mark.parametrize(
    ("place", "kind"),
    [
        ("/srv/record.db", "ext4"),
        ("/plant/record.db", "nfs4"),
        ("/plant", "nfs4"),
        ("/plant/local/record.db", "xfs"),
        ("/plantation/record.db", "tmpfs"),
        ("/mnt/line one/record.db", "cifs"),
        ("/far/record.db", "fuse.sshfs"),
        ("/guest/record.db", "9p"),
    ],
)
def test_the_file_system_of_a_place(place: str, kind: str) -> None:
    assert file_system(Path(place)) == kind


@pytest.mark.usefixtures("mounts")
@pytest.mark.parametrize(
    ("place", "kind"), [("/plant/r.db", "nfs4"), ("/mnt/line one/r.db", "cifs"), ("/guest/r.db", "9p")]
)
def test_a_network_file_system_is_refused(place: str, kind: str) -> None:
    with pytest.raises(ConfigError, match=f"{place} lies on a {kind} file system.*choose a local disk"):
        with_writer(Path(place), nothing)


def test_a_machine_that_tells_no_mounts_is_trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: Path, *args: Any, **kwargs: Any) -> str:
        raise FileNotFoundError

    monkeypatch.setattr(Path, "read_text", fail)
    assert file_system(Path("/anywhere")) is None


def test_to_be_asked_whether_it_is_held_does_not_stop_a_writer(path: Path) -> None:
    stop = threading.Event()

    def asks() -> None:
        while not stop.is_set():
            in_use(path)

    lock(path, KIND).close()
    asking = threading.Thread(target=asks)
    asking.start()
    try:
        for _ in range(200):
            lock(path, KIND).close()
    finally:
        stop.set()
        asking.join()


def test_a_second_writing_process_is_refused(path: Path) -> None:
    held = lock(path, KIND)
    script = (
        "import sys; from pathlib import Path; from broker_bridge.db import Kind, lock\n"
        "from broker_bridge.errors import ConfigError\n"
        "try: lock(Path(sys.argv[1]), Kind('notebook', 1, ()))\n"
        "except ConfigError as error: print(error)"
    )
    command = [sys.executable, "-c", script, str(path)]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert "already writes this notebook" in told
    assert str(held.name) in told or path.name in told
    held.close()
    assert subprocess.run(command, check=True, capture_output=True, text=True).stdout == ""


@pytest.mark.parametrize(
    ("script", "statements"),
    [
        ("", []),
        (" ;\n; ", []),
        ("A; B;", ["A;", "B;"]),
        ("INSERT INTO t VALUES ('a;b');", ["INSERT INTO t VALUES ('a;b');"]),
        (
            "CREATE TRIGGER x AFTER INSERT ON t BEGIN DELETE FROM u; DELETE FROM v; END; C;",
            ["CREATE TRIGGER x AFTER INSERT ON t BEGIN DELETE FROM u; DELETE FROM v; END;", "C;"],
        ),
    ],
)
def test_a_script_is_split_into_its_statements(script: str, statements: list[str]) -> None:
    assert split_script(script) == statements


def test_an_unfinished_script_is_told() -> None:
    with pytest.raises(ValueError, match="unfinished SQL statement"):
        split_script("INSERT INTO t VALUES ('a;")


def test_a_database_that_is_just_being_made_is_not_there_yet(tmp_path):
    path = tmp_path / "new.db"
    sqlite3.connect(path).close()
    path.touch()
    with pytest.raises(NotFound, match="still empty"):
        open_reader(path, KIND)


@pytest.mark.parametrize(
    "kind",
    ["nfs", "nfs4", "cifs", "smb3", "9p", "fuse", "fuse.sshfs", "fuse.glusterfs", "virtiofs", "afs", "ceph", "lustre"],
)  # fmt: skip
def test_every_kind_of_far_disk_is_refused(kind: str, monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
    """Names as Linux shows them in /proc/mounts (from memory); what lies behind FUSE cannot be told."""
    monkeypatch.setattr(db, "file_system", lambda _: kind)
    with pytest.raises(ConfigError, match=f"lies on a {kind} file system"):
        with_writer(path, nothing)
    assert not path.exists()


@pytest.mark.parametrize(("mask", "mode"), [(0o022, 0o640), (0o027, 0o640), (0o077, 0o600)])
def test_a_database_is_of_its_user_and_group_whatever_the_umask(path: Path, mask: int, mode: int) -> None:
    """The logs that SQLite makes beside it hold the same rows (sqlite.org/wal.html), and get its rights."""

    async def modes(connection: "Connection") -> set[int]:
        async with transaction(connection):
            await connection.execute("INSERT OR REPLACE INTO board (id) VALUES ('B1')")
        return {one.stat().st_mode & 0o777 for one in path.parent.iterdir()}

    before = os.umask(mask)
    try:
        assert with_writer(path, modes) == {mode}
        path.chmod(0o644)
        assert with_writer(path, modes) == {0o644}, "what a person has set stays"
    finally:
        os.umask(before)


def test_a_folder_that_takes_no_file_is_unavailable(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="name too long"):
        with_writer(tmp_path / ("x" * 300), nothing)

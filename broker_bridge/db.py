"""The one way SQLite is opened and migrated.

Writers: aiosqlite, write-ahead log, `synchronous=FULL` (with NORMAL a power cut may undo acknowledged commits:
SQLite, pragma synchronous), explicit transactions begun IMMEDIATE (a deferred one that turns into a writer fails
at once whatever the time-out). Readers: plain sqlite3, read-only, because a command that answers one question
should not wait for an event loop to be imported.
"""

import contextlib
import os
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, Literal, NamedTuple
from urllib.parse import quote

from broker_bridge.errors import (
    BridgeError,
    ConfigError,
    NoDatabase,
    NotFound,
    RecordDamaged,
    StoreError,
    StoreUnavailable,
    StoreVersionError,
)
from broker_bridge.folders import make_folder

if TYPE_CHECKING:
    import aiosqlite

BUSY_MS: Final = 10_000
SQLITE_FLOOR: Final = (3, 37, 0)
"""STRICT tables came with 3.37."""

_NETWORK: Final = ("nfs", "cifs", "smb", "9p", "fuse", "virtiofs", "afs", "ceph", "glusterfs", "lustre")


class Kind(NamedTuple):
    """One kind of database of ours: what it is, its mark in the file, and its schema as numbered steps."""

    name: str
    application_id: int
    migrations: Sequence[str]
    """SQL scripts; the n-th brings the schema to version n. Forward only, never edited once released."""


async def open_writer(
    path: Path,
    kind: Kind,
    *,
    synchronous: Literal["FULL", "NORMAL"] = "FULL",
    allow_network: bool = False,
) -> "aiosqlite.Connection":
    """Open or create a database for writing and bring its schema up to date.

    Raises ConfigError on a network file system (a write-ahead log there ends in corruption), StoreVersionError
    when the file is newer than this program or not of this kind, StoreUnavailable when it cannot be opened.
    The caller closes the connection: its thread keeps the process alive.
    """
    import aiosqlite

    if sqlite3.sqlite_version_info < SQLITE_FLOOR:
        raise ConfigError(f"SQLite {sqlite3.sqlite_version} is too old: 3.37 or newer is needed")
    if not allow_network:
        _refuse_network(path)
    try:
        make_folder(path.parent)
    except OSError as error:
        raise StoreUnavailable(f"{path.parent}: {error.strerror}") from error
    try:
        make_file(path)
    except OSError as error:
        raise StoreUnavailable(f"{path}: {error.strerror}") from error
    try:
        # Once here first: where opening fails, aiosqlite's thread goes on to answer a loop that may be gone.
        sqlite3.connect(path).close()
        connection = await aiosqlite.connect(path, isolation_level=None)
    except sqlite3.Error as error:
        raise _trouble(path, error) from error
    try:
        await _prepare(connection, path, kind, synchronous)
    except BaseException:
        await connection.close()
        raise
    return connection


def make_file(path: Path) -> None:
    """Make an empty file for a database of this user's and its group's; one that is there is left as it is. Raises OSError.

    Who reads a record as another user is in that group. SQLite gives the files it makes beside it the same rights.
    """
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640))


def open_reader(path: Path, kind: Kind) -> sqlite3.Connection:
    """Open a database read-only. Raises NoDatabase when there is none, the others as `open_writer`."""
    if not path.exists():
        raise NoDatabase(f"there is no {kind.name} at {path}")
    try:
        connection = sqlite3.connect(
            f"file:{quote(str(path))}?mode=ro", uri=True, isolation_level=None, check_same_thread=False
        )
    except sqlite3.Error as error:
        raise _trouble(path, error) from error
    try:
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        connection.execute("BEGIN")  # one view of schema and marks, while a writer may be making them
        tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        mark, version = _pragma(connection, "application_id"), _pragma(connection, "user_version")
        connection.execute("COMMIT")
        if not (tables or mark or version):
            raise NotFound(f"the {kind.name} at {path} is still empty")
        _check(path, kind, mark, version)
    except sqlite3.Error as error:
        connection.close()
        raise _trouble(path, error) from error
    except UnicodeDecodeError as error:  # SQLite shows a piece of a schema that is no text
        connection.close()
        raise RecordDamaged(f"{path}: the schema of the {kind.name} is damaged") from error
    except BridgeError:
        connection.close()
        raise
    return connection


class Held:
    """A database held against a second writing process until `close`."""

    def __init__(self, file: IO[str], left_by: str) -> None:
        self._file = file
        self.name = file.name
        """The lock file."""
        self.left_by = left_by
        """Process id of the last holder, if that ended without letting go; empty after a clean end."""

    def close(self) -> None:
        """Let go."""
        if not self._file.closed:
            with contextlib.suppress(OSError):
                self._file.truncate(0)
            self._file.close()


def lock(path: Path, kind: Kind) -> Held:
    """Hold a database against a second writing process until the result is closed.

    The lock file lies beside the database and holds the process id of its holder; it stays when the process is
    killed, the lock does not. Raises ConfigError when another process holds it.
    """
    beside = path.with_name(path.name + ".lock")
    try:
        make_folder(path.parent)
        file = beside.open("a+", encoding="ascii")
    except OSError as error:
        raise StoreUnavailable(f"{beside}: {error.strerror}") from error
    try:
        _seize(file)
        file.seek(0)
        left_by = file.read().strip()
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
    except BlockingIOError:
        file.seek(0)
        holder = file.read().strip() or "unknown"
        file.close()
        raise ConfigError(
            f"{path}: process {holder} already writes this {kind.name}: stop it or name another file"
        ) from None
    except OSError as error:
        file.close()
        raise StoreUnavailable(f"{beside}: {error.strerror}") from error
    return Held(file, left_by)


def _seize(file: IO[str]) -> None:
    import fcntl  # no writer on systems without it; readers run there

    for pause_s in (0.01, 0.04, 0.2):
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        time.sleep(pause_s)  # whoever asks whether it is held shares the lock for a moment
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


async def look_through(
    connection: "aiosqlite.Connection", path: Path, kind: Kind, left_by: str, clock: Callable[[], float]
) -> None:
    """Check a database whose last holder ended without letting go, and say so. `clock` counts seconds.

    Raises RecordDamaged when it is not sound: it is left as it is, for a person to look at.
    """
    if not left_by:
        return
    import logging  # a reader that answers one question would wait for it

    log = logging.getLogger(__name__)
    begun = clock()
    log.warning(
        "%s: process %s ended without closing it; looking through %.1f MB",
        path, left_by, path.stat().st_size / 1e6,
    )  # fmt: skip
    try:
        verdict = await _value(connection, "PRAGMA quick_check(1)")
    except sqlite3.OperationalError as error:
        raise _trouble(path, error) from error
    except sqlite3.DatabaseError as error:
        verdict = str(error)
    if verdict != "ok":
        raise RecordDamaged(
            f"{path}: the {kind.name} is damaged after an unclean end: {' '.join(str(verdict).split())}; keep the file as it is, "
            + (
                "and put the last backup in its place with `broker-bridge restore`; edges refill it"
                if kind.name == "record"
                else "move it aside and start anew; what it held and no record had becomes a stated gap"
            )
        )
    log.info("%s: in order, after %.1f s", path, clock() - begun)


@contextlib.asynccontextmanager
async def transaction(connection: "aiosqlite.Connection") -> AsyncIterator[None]:
    """A write transaction: committed at the end, rolled back on any exception.

    sqlite3 errors that may pass (busy, disk full, input/output) become StoreUnavailable.
    """
    try:
        await connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            await connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                # A commit that is under way in its thread may end meanwhile: then there is nothing to roll back, and to say
                # so in place of a cancellation would make of a stop a failure to be tried again.
                with contextlib.suppress(sqlite3.OperationalError):
                    await connection.execute("ROLLBACK")
            raise
    except sqlite3.OperationalError as error:
        raise StoreUnavailable(f"the database cannot be written: {error}") from error


@contextlib.contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """`transaction` for a connection of the calling thread."""
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            end(connection)
        except BaseException:
            # A full disk or a failing one may have ended the transaction already.
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    except sqlite3.OperationalError as error:
        raise StoreUnavailable(f"the database cannot be written: {error}") from error


def end(connection: sqlite3.Connection) -> None:
    """The commit of `writing`; by itself, so that a campaign can let it fail."""
    connection.execute("COMMIT")


def settings(synchronous: str) -> tuple[str, ...]:
    """What every writing connection has to be told."""
    return (
        f"PRAGMA busy_timeout={BUSY_MS}",
        f"PRAGMA synchronous={synchronous}",
        "PRAGMA wal_autocheckpoint=4000",
        "PRAGMA foreign_keys=ON",
    )


async def _prepare(connection: "aiosqlite.Connection", path: Path, kind: Kind, synchronous: str) -> None:
    try:
        await connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        await connection.execute(
            "BEGIN"
        )  # one view of schema and marks, while another writer may be making them
        version = await _version(connection, path, kind)
        await connection.execute("COMMIT")
        mode = await _journal(connection)
        if mode != "wal":
            raise ConfigError(f"{path}: this file system gives no write-ahead log (journal mode {mode})")
        for setting in settings(synchronous):
            await connection.execute_fetchall(setting)
    except sqlite3.DatabaseError as error:
        raise _trouble(path, error) from error
    while version < len(kind.migrations):
        async with transaction(connection):
            # Another process may have opened it at the same moment: who comes second finds the step done.
            if (found := await _version(connection, path, kind)) > version:
                version = found
                continue
            number = version + 1
            # One statement at a time: executescript would commit before it begins.
            for statement in split_script(kind.migrations[number - 1]):
                await connection.execute(statement)
            await connection.execute(f"PRAGMA application_id={kind.application_id}")
            await connection.execute(f"PRAGMA user_version={number}")
        version = number


async def _journal(connection: "aiosqlite.Connection") -> Any:
    """Ask for the write-ahead log; the mode there is."""
    import asyncio  # not for readers, which answer one question and end

    end = time.monotonic() + BUSY_MS / 1000
    while True:
        try:
            return await _value(connection, "PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            # SQLite does not wait here, whatever the time-out: another process may be changing the mode just now.
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
        await asyncio.sleep(0.02)


async def _version(connection: "aiosqlite.Connection", path: Path, kind: Kind) -> int:
    """The version of the schema, 0 in an empty file. Raises StoreVersionError for a file of another kind or newer."""
    mark = await _value(connection, "PRAGMA application_id")
    version = await _value(connection, "PRAGMA user_version")
    if mark or version or await _value(connection, "SELECT count(*) FROM sqlite_schema"):
        _check(path, kind, mark, version)
    return int(version)


async def _value(connection: "aiosqlite.Connection", sql: str) -> Any:
    """The one value a statement gives, fetched in one go: a half-read statement would go on holding its locks."""
    (row,) = await connection.execute_fetchall(sql)
    return row[0]


def split_script(script: str) -> list[str]:
    """The statements of an SQL script."""
    statements: list[str] = []
    pending = ""
    for piece in script.split(";"):
        pending += piece + ";"
        if sqlite3.complete_statement(pending):
            if pending.strip(" \n\t;"):
                statements.append(pending.strip())
            pending = ""
    if pending.strip(" \n\t;"):
        raise ValueError(f"unfinished SQL statement: {pending!r}")
    return statements


def _check(path: Path, kind: Kind, mark: int, version: int) -> None:
    if mark != kind.application_id:
        raise StoreVersionError(f"{path} is not a {kind.name} of this program (mark {mark:#x})")
    if version > len(kind.migrations):
        raise StoreVersionError(
            f"{path} is a {kind.name} of version {version}, newer than this program knows"
            f" ({len(kind.migrations)}): upgrade the program"
        )


def _trouble(path: Path, error: sqlite3.Error) -> StoreError:
    if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_NOTADB:
        return StoreVersionError(f"{path} is not a database")  # waiting would not make it one
    return StoreUnavailable(f"{path}: {error}")


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def _refuse_network(path: Path) -> None:
    kind = file_system(path)
    if kind is not None and kind.startswith(_NETWORK):
        raise ConfigError(
            f"{path} lies on a {kind} file system, where a write-ahead log ends in corruption:"
            " choose a local disk"
        )


def file_system(path: Path) -> str | None:
    """The type of the file system a path lies on, or will lie on; None where the system does not tell."""
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    real = os.path.realpath(path)
    best, kind = "", None
    for line in mounts.splitlines():
        fields = line.split(" ")
        point = fields[1].replace("\\040", " ")
        inside = point == "/" or real == point or real.startswith(point + "/")
        if inside and len(point) >= len(best):
            best, kind = point, fields[2]
    return kind

"""Puts a backup in a record's place, so that edges know of it and what was there is kept."""

import contextlib
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.db import lock, make_file, open_reader
from broker_bridge.errors import RecordDamaged, StoreUnavailable
from broker_bridge.folders import sync_folder
from broker_bridge.store.mark import Mark, MarkFile
from broker_bridge.store.schema import RECORD

_BESIDE: Final = ("", "-wal", "-shm")


class Restored(NamedTuple):
    """What was put in place."""

    record: Path
    events: int
    commit: int
    replaced: Path | None
    """Where the record lies that was there; None when there was none."""


def restore(backup: Path, record: Path, now: datetime) -> Restored:
    """Replace the record by a backup. Its incarnation grows when its recorder starts; edges then send again.

    The record that is there is moved aside, never deleted. Raises ConfigError while a recorder runs, NotFound when
    there is no backup, StoreVersionError when it is newer than this program or no record, RecordDamaged when it is not
    sound, StoreUnavailable when the disk does not take it. Nothing has changed then.
    """
    held = lock(record, RECORD)
    try:
        fresh = record.with_name(record.name + ".restoring")
        fresh.unlink(missing_ok=True)
        events, commit, incarnation = _copy(backup, fresh)
        try:
            mark = MarkFile(record)
            try:
                before = mark.read() or Mark(0, 0)
                # Ahead of everything that was ever told, even by a record whose mark is lost: so it is a time.
                told = max(before.incarnation, incarnation, int(now.timestamp() * 1000))
                mark.write(Mark(told, max(before.commit, commit) + 1), flush=True)
            finally:
                mark.close()
            replaced = _aside(record, now)
            fresh.rename(record)
            sync_folder(record.parent)
        except OSError as error:
            raise StoreUnavailable(f"{record} cannot be replaced: {error.strerror}") from error
        return Restored(record, events, commit, replaced)
    finally:
        held.close()


def _copy(backup: Path, fresh: Path) -> tuple[int, int, int]:
    source = open_reader(backup, RECORD)
    try:
        verdict = source.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            raise RecordDamaged(f"{backup} is not sound: {verdict}; take an older backup")
        head = source.execute(
            "SELECT (SELECT coalesce(max(number), 0) FROM events), (SELECT coalesce(max(number), 0) FROM commits),"
            " incarnation FROM record"
        ).fetchone()
        make_file(fresh)
        copy = sqlite3.connect(fresh, isolation_level=None)
        try:
            source.backup(copy)
        finally:
            copy.close()
        with fresh.open("rb") as file:
            os.fsync(file.fileno())
    except (sqlite3.OperationalError, OSError) as error:
        raise StoreUnavailable(f"{fresh} cannot be written: {error}") from error
    except sqlite3.DatabaseError as error:
        raise RecordDamaged(f"{backup} is not sound: {error}; take an older backup") from error
    finally:
        source.close()
    return int(head[0]), int(head[1]), int(head[2])


def _aside(record: Path, now: datetime) -> Path | None:
    if not record.exists():
        for end in _BESIDE[1:]:
            # A log without its database would be taken for that of the backup.
            with contextlib.suppress(FileNotFoundError):
                record.with_name(record.name + end).rename(
                    record.with_name(f"{record.name}.lost-{_stamp(now)}{end}")
                )
        return None
    aside = record.with_name(f"{record.name}.replaced-{_stamp(now)}")
    if aside.exists():
        raise StoreUnavailable(f"{aside} is there already: wait a second")
    for end in _BESIDE:
        with contextlib.suppress(FileNotFoundError):
            record.with_name(record.name + end).rename(aside.with_name(aside.name + end))
    return aside


def _stamp(now: datetime) -> str:
    return f"{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"

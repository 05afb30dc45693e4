"""The record as a file: copied while it is written, and put back."""

from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from broker_bridge.errors import ConfigError, UsageError
from broker_bridge.queries.record import path_of
from broker_bridge.store.restoring import Restored, restore
from broker_bridge.store.sqlite_reader import SqliteReader

__all__ = ["Copied", "Restored", "back_up", "put_back"]


class Copied(NamedTuple):
    """A backup."""

    path: Path
    name: str
    events: int
    commit: int
    size: int
    """Bytes."""


def back_up(url: str, target: Path, now: datetime | None = None) -> Copied:
    """Copy the record to `target`, a new file or a folder, and check the copy. Its writer goes on meanwhile.

    Raises what SqliteReader.backup does.
    """
    source = path_of(url)
    if target.is_dir():
        target = target / f"{source.stem}-{(now or datetime.now(UTC)):%Y%m%dT%H%M%SZ}.db"
    elif not target.parent.is_dir():
        raise UsageError(f"{target.parent} is no folder: make it first, or correct the path")
    reader = SqliteReader(source)
    try:
        reader.backup(target)
    finally:
        reader.close()
    copy = SqliteReader(target)
    try:
        head = copy.head()
    finally:
        copy.close()
    return Copied(target, head.name, head.number, head.commit, target.stat().st_size)


def put_back(backup: Path, url: str, name: str | None = None, now: datetime | None = None) -> Restored:
    """Put a backup in the record's place; `name`: what the record has to be called. Raises what `restore` does."""
    reader = SqliteReader(backup)
    try:
        found = reader.head().name
    finally:
        reader.close()
    if name is not None and found != name:
        raise ConfigError(
            f"{backup} is of the record {found!r}, the configuration says {name!r}: edges know a record by its name"
        )
    return restore(backup, path_of(url), now or datetime.now(UTC))

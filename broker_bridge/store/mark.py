"""The mark beside a record: how far it had got, so that a record restored from a backup is known for one.

A restored record lacks events which edges may already have given up. It has to say so by a higher incarnation,
and edges then send again what they hold. Only something outside the database can tell: a small file beside it
holds the incarnation and the last commit. It is written after each commit, without a disk flush, which a killed
process survives; after a power cut it may lie a little behind the record, never ahead of it.
"""

import contextlib
import os
from pathlib import Path
from typing import NamedTuple

from broker_bridge.errors import StoreUnavailable


class Mark(NamedTuple):
    """How far a record had got."""

    incarnation: int
    commit: int


class MarkFile:
    """The file `<record>.mark`, open for writing."""

    def __init__(self, record: Path) -> None:
        self.path = mark_path(record)
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
        except OSError as error:
            raise StoreUnavailable(f"{self.path}: {error.strerror}") from error

    def read(self) -> Mark | None:
        """What the file says; None when it is new or unreadable."""
        os.lseek(self._fd, 0, os.SEEK_SET)
        fields = os.read(self._fd, 64).split()
        if len(fields) != 2 or not all(field.isdigit() for field in fields):
            return None
        return Mark(int(fields[0]), int(fields[1]))

    def write(self, mark: Mark, flush: bool = False) -> None:
        """Replace what it says; with `flush`, on the disk when this returns. Raises StoreUnavailable."""
        try:
            os.lseek(self._fd, 0, os.SEEK_SET)
            os.write(self._fd, b"%020d %020d\n" % mark)
            if flush:
                os.fsync(self._fd)
        except OSError as error:
            raise StoreUnavailable(f"{self.path}: {error.strerror}") from error

    def close(self) -> None:
        """Flush and close."""
        with contextlib.suppress(OSError):
            os.fsync(self._fd)
        os.close(self._fd)


def mark_path(record: Path) -> Path:
    """Where the mark of a record lies."""
    return record.with_name(record.name + ".mark")

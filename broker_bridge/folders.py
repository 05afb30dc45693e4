"""Folders that are there after a power cut.

A name is on the disk when its folder was synced. Journalling file systems sync earlier names along with any file, but
POSIX promises no such thing, and a record in a folder that has vanished is a lost record.
"""

import os
from pathlib import Path


def make_folder(path: Path, mode: int = 0o777) -> None:
    """Make a folder, and those above it, as far as they are missing; on the disk when this returns. Raises OSError."""
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(exist_ok=True, mode=mode)
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Put the names in a folder on the disk. Raises OSError."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

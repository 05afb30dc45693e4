"""The raw archive: the bytes machines wrote, compressed, each under the SHA-256 of what it holds.

One folder a month, so that retention is the removal of folders. A file is complete or not there: it is written
under another name, flushed to disk and renamed.
"""

import contextlib
import hashlib
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import zstandard

from broker_bridge.errors import StoreError, StoreUnavailable
from broker_bridge.folders import make_folder, sync_folder

_LEVEL: Final = 6


class Archive:
    """Raw bytes by hash, below one folder. Methods block: call them in a thread."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, raw: bytes, now: datetime) -> str:
        """Keep these bytes durably; returns their SHA-256. Bytes already kept this month cost nothing.

        Raises StoreUnavailable when the disk does not take them; nothing is kept then.
        """
        digest = hashlib.sha256(raw).hexdigest()
        month = self.folder / f"{now:%Y-%m}"
        target = month / f"{digest}.zst"
        if target.exists():
            return digest
        partial = month / f"{digest}.{os.getpid()}.partial"
        try:
            # It may hold names of persons, as machines wrote them.
            make_folder(self.folder, 0o700)
            make_folder(month, 0o700)
            with partial.open("wb") as file:
                file.write(zstandard.ZstdCompressor(level=_LEVEL).compress(raw))
                file.flush()
                os.fsync(file.fileno())
            partial.rename(target)
            sync_folder(month)
        except OSError as error:
            with contextlib.suppress(OSError):
                partial.unlink()
            raise StoreUnavailable(f"raw archive {self.folder}: {error}") from error
        return digest

    def get(self, digest: str) -> bytes | None:
        """The bytes with this hash, None when they are not, or no longer, kept.

        Raises StoreError when what is kept no longer has this hash.
        """
        for path in sorted(self.folder.glob(f"*/{digest}.zst"), reverse=True):
            try:
                with zstandard.ZstdDecompressor().stream_reader(path.read_bytes()) as stream:
                    raw = stream.read()
            except (OSError, zstandard.ZstdError) as error:
                raise StoreError(f"{path} cannot be read: {error}") from error
            if hashlib.sha256(raw).hexdigest() != digest:
                raise StoreError(f"{path} is damaged: its bytes no longer have the hash in its name")
            return raw
        return None

    def expire(self, now: datetime, days: float) -> int:
        """Remove the months that ended more than `days` ago; returns how many."""
        removed = 0
        oldest = f"{now - timedelta(days=days):%Y-%m}"
        for month in sorted(self.folder.glob("[0-9][0-9][0-9][0-9]-[0-9][0-9]")):
            if month.name < oldest:
                shutil.rmtree(month)
                removed += 1
        return removed

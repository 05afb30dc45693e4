"""Whether what the embedded broker kept on disk is whole: not when the machine went down under it.

The program syncs its files seldom. After a power cut parts of its store are older than others, and it then goes on with
what it finds: clients connect, publishes are acknowledged, nothing is delivered. Queues and sessions there only spare
sending again; outboxes and receipts hold what counts. So a store that was in use when the machine went down is thrown
away. A killed process is no such end: what it wrote is with the system.
"""

import os
import shutil
from pathlib import Path
from typing import Final

from broker_bridge.folders import sync_folder

BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
"""Another one after each start of the machine (random(4)); absent where the system has none."""
_MARK: Final = "in-use"
_KEPT: Final = "jetstream"
_CLEAN: Final = "closed in order"


def begin(store: Path) -> bool:
    """Call before the program starts; whether what it had kept was thrown away. Raises OSError."""
    boot = _boot()
    thrown = (store / _KEPT).is_dir() and _read(store / _MARK) not in (_CLEAN, boot)
    if thrown:
        shutil.rmtree(store / _KEPT)
    _note(store, boot)
    return thrown


def end(store: Path) -> None:
    """Call after the program ended in order: what it wrote goes to the disk. Raises OSError."""
    for folder, _, names in os.walk(store / _KEPT):
        for name in names:
            handle = os.open(Path(folder) / name, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(folder))
    _note(store, _CLEAN)


def _boot() -> str:
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def _read(mark: Path) -> str | None:
    try:
        return mark.read_text(encoding="ascii", errors="replace").strip()
    except FileNotFoundError:
        return None


def _note(store: Path, text: str) -> None:
    new = store / f"{_MARK}.new"
    with new.open("w", encoding="ascii") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(store / _MARK)
    sync_folder(store)

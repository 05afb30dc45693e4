"""The list of epochs beside an outbox: it outlives the outbox, so that a lost one is known of."""

import os
from pathlib import Path

from broker_bridge.errors import StoreUnavailable
from broker_bridge.folders import sync_folder


def read_epochs(path: Path) -> list[int]:
    """All epochs noted there, ascending. Raises StoreUnavailable."""
    try:
        lines = path.read_text(encoding="ascii", errors="replace").split()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StoreUnavailable(f"{path}: {error.strerror}") from error
    return sorted({int(line) for line in lines if len(line) == 20 and line.isdigit()})


def note_epoch(path: Path, epoch: int) -> None:
    """Add one, on the disk when this returns. Raises StoreUnavailable."""
    try:
        with path.open("a", encoding="ascii") as file:
            file.write(f"\n{epoch:020d}\n")  # what a kill cut short before stays a line of its own
            file.flush()
            os.fsync(file.fileno())
        sync_folder(path.parent)
    except OSError as error:
        raise StoreUnavailable(f"{path}: {error.strerror}") from error

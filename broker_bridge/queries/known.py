"""As what the derived tables know a text: a lot, a reel, a tool, a program ... ; and bringing them up a piece at a time."""

import time
from typing import Final

from broker_bridge.projector.derived import Derived
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle

_VAGUE: Final = frozenset({"unknown", "unknown_lot", "exceeded"})


def used_kinds(record: Record, text: str) -> list[str]:
    """Kinds in alphabetical order; empty where it is not known, or not yet settled."""
    derived = Derived(record.index.path)
    try:
        return [kind for kind in derived.kinds(text) if kind not in _VAGUE]
    finally:
        derived.close()


def settled_within(record: Record, seconds: float) -> tuple[int, int] | None:
    """Settle for about so long; None when all is done, else how many identifiers were settled of how many there were.

    Raises StoreUnavailable when the index cannot be written.
    """
    done, first, left = 0, 0, 0

    def told(number: int, of: int) -> None:
        nonlocal done, first, left
        first = first or of
        left = of - number
        done = max(first - left, 0)

    end = time.monotonic() + seconds
    while not settle(record, told, once=True):
        if time.monotonic() > end:
            return done, done + left
    return None

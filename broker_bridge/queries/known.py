"""As what the derived tables know a text: a lot, a reel, a tool, a program ... ; and how far they are behind."""

from typing import Final

from broker_bridge.projector.derived import Derived
from broker_bridge.projector.settled import Settled
from broker_bridge.queries.record import Record

_VAGUE: Final = frozenset({"unknown", "unknown_lot", "exceeded"})


def used_kinds(record: Record, text: str) -> list[str]:
    """Kinds in alphabetical order; empty where it is not known, or not yet settled."""
    derived = Derived(record.index.path)
    try:
        return [kind for kind in derived.kinds(text) if kind not in _VAGUE]
    finally:
        derived.close()


def unsettled(record: Record) -> int:
    """Identifiers whose boards are still to be put in order before lists of boards are told."""
    settled = Settled(record.index.path)
    try:
        return settled.dirty()
    finally:
        settled.close()

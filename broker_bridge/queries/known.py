"""As what the derived tables know a text: a lot, a reel, a tool, a program ..."""

from typing import Final

from broker_bridge.projector.derived import Derived
from broker_bridge.queries.record import Record

_VAGUE: Final = frozenset({"unknown", "unknown_lot", "exceeded"})


def used_kinds(record: Record, text: str) -> list[str]:
    """Kinds in alphabetical order; empty where it is not known, or not yet settled."""
    derived = Derived(record.index.path)
    try:
        return [kind for kind in derived.kinds(text) if kind not in _VAGUE]
    finally:
        derived.close()

"""A short reference for every statement of a history: V3 is the third visit, D1 the first defect.

They count the lists of the history, so they are the same for everyone who asks as of the same commit, in any order of
arrival; at a later commit a list may have grown in the middle. Say the commit with them.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.value import Value

LETTERS: Final = {
    "F": ("findings", "finding"),
    "K": ("identity.identifiers", "identifier"),
    "S": ("identity.states", "state of the position"),
    "P": ("genealogy", "part of, or has as part"),
    "V": ("route", "visit"),
    "L": ("loops", "return to a station"),
    "C": ("magazines", "stay in a magazine"),
    "I": ("inspections", "inspection with its calls"),
    "T": ("tests", "attempt of a test"),
    "D": ("defects", "defect"),
    "U": ("undecided", "call without a verdict"),
    "R": ("rework", "rework"),
    "M": ("materials", "material"),
    "O": ("tools", "tool that touched it"),
    "E": ("readings", "process values taken while it was there"),
    "N": ("decisions", "decision or note"),
    "G": ("gaps", "gap"),
}
"""Letter of each list, where it stands in the history, and what its entries are."""

_REFERENCE: Final = re.compile(r"([A-Za-z])([1-9][0-9]{0,5})\Z")


class Referred(Value):
    """One statement of a history by its reference."""

    reference: str
    what: str
    statement: Any
    """The entry itself: it has `evidence`, and unless it is always observed `certainty`, `probability`, `reason`."""


class Proof(Value):
    """One event of the record."""

    source: str
    id: str
    type: str
    station: str | None
    time: str
    """When it happened, RFC 3339, UTC."""
    time_text: str | None
    """As the source wrote it."""
    time_means: str | None
    zone: str | None
    zone_basis: str | None
    flags: tuple[str, ...]
    """What is doubtful about the raw record."""
    recorded: str
    """When the adapter took it in."""
    number: int
    commit: int
    committed: str | None
    """When it was committed to the record."""
    raw_name: str | None
    """The file or connection it came from."""
    raw_hash: str | None
    """SHA-256 of the raw record."""
    raw_line: int | None
    raw_offset: int | None
    archived: str | None
    """Hash under which the edge's raw archive keeps the whole file."""
    data: Mapping[str, Any]
    """All it says, origin left out."""


class Why(Value):
    """One statement, and everything it stands on."""

    reference: str
    what: str
    statement: Any
    """The entry of the history (schemas/history.json), its certainty and reasoning included."""
    proofs: tuple[Proof, ...]
    as_of: AsOf


def referred(history: History) -> Iterator[Referred]:
    """Every statement, list by list."""
    for letter, (path, what) in LETTERS.items():
        for number, statement in enumerate(_at(history, path), 1):
            yield Referred(f"{letter}{number}", what, statement)


def find(history: History, reference: str) -> Referred | None:
    """The statement of a reference, in either case; None where there is none."""
    match = _REFERENCE.match(reference)
    entry = LETTERS.get(match[1].upper()) if match else None
    if match is None or entry is None:
        return None
    statements = _at(history, entry[0])
    number = int(match[2])
    if number > len(statements):
        return None
    return Referred(f"{match[1].upper()}{number}", entry[1], statements[number - 1])


def _at(history: History, path: str) -> tuple[Any, ...]:
    value: Any = history
    for step in path.split("."):
        value = getattr(value, step)
    return tuple(value)

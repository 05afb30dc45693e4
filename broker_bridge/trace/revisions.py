"""Which facts still hold: of one raw record only the highest complete revision's set.

A revision is the complete set of events of one raw record. Until all of them are there, the set of the revision
below holds, so a mended mapping never leaves half a record behind. A record of which no revision is complete
yet gives what has arrived of the lowest: nothing is hidden, and each event is true by itself.
"""

from collections.abc import Iterable, Mapping, Sequence

from broker_bridge.events.fact import Fact

RawRecord = tuple[str, str, int]
"""Source, generation and position: what the machine wrote, before any mapping."""


def raw_record(fact: Fact) -> RawRecord:
    """The raw record a fact came from."""
    return fact.source, fact.generation, fact.position


def set_size(fact: Fact) -> int:
    """How many events the fact's raw record gives at its revision."""
    size: int = fact.data["origin"].get("events", 1)
    return size


def holding_revision(arrived: Iterable[tuple[int, int]], size_of: Mapping[int, int]) -> int:
    """The revision of a raw record that holds.

    `arrived` are (revision, ordinal) of the events that are there, at least one; `size_of` tells how many make
    a revision complete.
    """
    ordinals: dict[int, set[int]] = {}
    for revision, ordinal in arrived:
        ordinals.setdefault(revision, set()).add(ordinal)
    complete = [revision for revision, seen in ordinals.items() if len(seen) >= size_of[revision]]
    return max(complete) if complete else min(ordinals)


def holding(facts: Sequence[Fact]) -> list[Fact]:
    """The facts that hold, each once, ordered by their place in the record.

    `facts` has to hold every fact of each raw record it touches.
    """
    records: dict[RawRecord, dict[int, Fact]] = {}
    for fact in facts:
        records.setdefault(raw_record(fact), {})[fact.number] = fact
    result: list[Fact] = []
    for members in records.values():
        size_of = {fact.revision: set_size(fact) for _, fact in sorted(members.items())}
        revision = holding_revision(((fact.revision, fact.ordinal) for fact in members.values()), size_of)
        result.extend(fact for fact in members.values() if fact.revision == revision)
    return sorted(result, key=lambda fact: fact.number)

"""Of some events the ones that hold: those of the highest complete revision of their raw record."""

from collections.abc import Iterable, Sequence

from broker_bridge.events.fact import Fact
from broker_bridge.projector.index import Index
from broker_bridge.store.base import Sibling, StoreReader
from broker_bridge.trace.revisions import RawRecord, holding_revision, raw_record, set_size


def holding(reader: StoreReader, index: Index, numbers: Iterable[int], upto: int) -> list[Fact]:
    """The facts of these numbers that hold as of the event `upto`."""
    facts = reader.facts(sorted(numbers))
    several = index.revised({raw_record(fact) for fact in facts}, upto)
    if not several:
        return facts
    revised = _revised(reader, [fact.number for fact in facts if raw_record(fact) in several], upto)
    return [fact for fact in facts if fact.revision == revised.get(raw_record(fact), fact.revision)]


def _revised(reader: StoreReader, numbers: Sequence[int], upto: int) -> dict[RawRecord, int]:
    """The revision that holds of the raw records which have several."""
    records: dict[RawRecord, list[Sibling]] = {}
    for sibling in reader.siblings(numbers):
        if sibling.number <= upto:
            records.setdefault(sibling[:3], []).append(sibling)
    several = {raw: found for raw, found in records.items() if len({s.revision for s in found}) > 1}
    one_of_each = sorted({s.number for found in several.values() for s in found})
    sizes = {(raw_record(fact), fact.revision): set_size(fact) for fact in reader.facts(one_of_each)}
    return {
        raw: holding_revision(
            [(s.revision, s.ordinal) for s in found], {s.revision: sizes[raw, s.revision] for s in found}
        )
        for raw, found in several.items()
    }

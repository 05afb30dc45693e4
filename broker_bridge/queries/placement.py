"""Where the components of a board sit, as its part was declared."""

from broker_bridge.projector.entries import part_file
from broker_bridge.queries.boards import holding
from broker_bridge.queries.parts import Component
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import PART_DECLARED, History
from broker_bridge.trace.statements import instant


def placement(record: Record, history: History) -> tuple[Component, ...]:
    """By side and designator, from the newest declaration that the record held then; empty where there is none."""
    part, sources = history.identity.part_number, history.completeness.sources
    if part is None or not sources:
        return ()
    upto = history.as_of.number
    numbers = record.index.filed(part_file(sources[0].source, part), upto)
    declared = [
        fact
        for fact in holding(record, numbers, upto)
        if fact.type == PART_DECLARED and fact.data.get("placement")
    ]
    if not declared:
        return ()
    newest = max(declared, key=lambda fact: (instant(fact.data["valid_from"]), fact.number))
    found = [
        Component(
            spot["name"], (spot.get("part") or {}).get("number"), spot.get("side"), spot.get("terminations"),
            spot.get("x_mm"), spot.get("y_mm"),
        )
        for spot in newest.data["placement"]
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda one: (one.side or "", one.designator)))

"""As what the record knows a text that is no board: a lot, a reel, a tool, a program ..., a work order, a magazine."""

from typing import Final, Literal, NamedTuple

from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived
from broker_bridge.projector.entries import magazine_file
from broker_bridge.queries.boards import holding
from broker_bridge.queries.many import facts_of, named
from broker_bridge.queries.record import Record
from broker_bridge.trace.mentions import Knot, mentions

_VAGUE: Final = frozenset({"unknown", "unknown_lot", "exceeded"})


class Handling(NamedTuple):
    """What was said of a magazine once."""

    time: str
    """RFC 3339, UTC."""
    station: str | None
    what: str
    """put in, taken out, named; arrived, departed, sealed, opened, turned; contents."""
    slot: str | None
    board: Knot | None
    """None: a board that was not read, or nothing of boards."""
    source: str
    event: str


class Alike(NamedTuple):
    """Something of another spelling."""

    what: Literal["identifier", "order", "magazine", "used"]
    kind: str
    """In words."""
    value: str


def used_kinds(record: Record, text: str) -> list[str]:
    """Kinds in alphabetical order; empty where it is not known, or not yet settled."""
    derived = Derived(record.index.path)
    try:
        return [kind for kind in derived.kinds(text) if kind not in _VAGUE]
    finally:
        derived.close()


def is_order(record: Record, text: str) -> bool:
    """Whether it is a work order, of boards that are settled or by its own events."""
    derived = Derived(record.index.path)
    try:
        if derived.made_under(text):
            return True
    finally:
        derived.close()
    assigned = facts_of(record, ("work.order_assigned",), record.as_of())
    return any(text in (fact.data.get("order"), fact.data.get("parent")) for fact in assigned)


def is_magazine(record: Record, text: str) -> bool:
    """Whether anything was said of a magazine of that name."""
    return bool(_filed(record, text))


def handlings(record: Record, magazine: str) -> list[Handling]:
    """What was said of a magazine, in order of time. Raises NotFound. What it proves of a board its history tells."""
    facts = holding(record, _filed(record, magazine), record.as_of().number)
    if not facts:
        raise NotFound(f"no event names a magazine {magazine!r}, as of commit {record.as_of().commit}")
    found = [one for fact in facts for one in _handled(fact)]
    return sorted(found, key=lambda one: (one.time, one.slot or "", one.event))


def alike(record: Record, text: str, most: int) -> list[Alike]:
    """Names that are equal but for the case of ASCII letters; work orders, magazines and what was used among them."""
    nodes = record.index.alike(text, record.as_of().number, most)
    found = [Alike("identifier", node.kind, node.value) for node in nodes]
    for other in sorted({text.upper(), text.lower(), text.capitalize(), text.swapcase()} - {text}):
        if is_order(record, other):
            found.append(Alike("order", "work order", other))
        if is_magazine(record, other):
            found.append(Alike("magazine", "magazine", other))
        found += [Alike("used", kind, other) for kind in used_kinds(record, other)]
    return found[:most]


def _filed(record: Record, magazine: str) -> frozenset[int]:
    upto = record.as_of().number
    sites = {progress.source.split("/")[1] for progress in record.reader.progress()}
    return frozenset[int]().union(
        *(record.index.filed(magazine_file(f"/{site}/", magazine), upto) for site in sites)
    )


def _handled(fact: Fact) -> list[Handling]:
    data = fact.data
    if fact.type == "board.magazine_handled":
        said = Handling(fact.time, data.get("station"), str(data["act"]), None, None, fact.source, fact.id)
        slots = [one.get("slot") for one in data.get("contents") or ()]
        inside = [mention for mention in mentions(fact) if mention.role == "content"]
        return [
            said,
            *(
                said._replace(
                    what="contents", slot=slot, board=mention.names[0].node if mention.names else None
                )
                for slot, mention in zip(slots, inside, strict=True)
            ),
        ]
    what = {"board.departed": "put in", "board.arrived": "taken out"}.get(fact.type, "named")
    said = Handling(fact.time, data.get("station"), what, data.get("slot"), None, fact.source, fact.id)
    return [said._replace(board=knot) for knot in named([fact])] or [said]


__all__ = ["Alike", "Handling", "alike", "handlings", "is_magazine", "is_order", "used_kinds"]

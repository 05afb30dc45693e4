"""The boards that some events are about, and the history of each, as of any commit.

Reads the record itself: for answers as of an older commit, and where what is derived from histories does not hold the
question. Every board is judged by its own history, so that what is told of many is what `board` tells of each.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.queries.boards import find, history_of
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.mentions import UNITS, Knot, Mention, Node, Slot, mentions, order
from broker_bridge.trace.statements import is_placeholder

_STEP: Final = 1000

Progress = Callable[[int, int], None]
"""Told what is done, and how much there is."""


def facts_of(record: Record, types: Collection[str], as_of: AsOf) -> Iterator[Fact]:
    """The events of some types as of a commit, in order of the record; superseded revisions among them."""
    after = 0
    while found := record.reader.typed(types, after, as_of.number, _STEP):
        yield from found
        after = found[-1].number


def all_facts(record: Record, as_of: AsOf) -> Iterator[Fact]:
    """All events as of a commit, in order of the record; superseded revisions among them."""
    after = 0
    while found := record.reader.after(after, _STEP):
        for fact in found:
            if fact.number > as_of.number:
                return
            yield fact
        after = found[-1].number


def named(facts: Iterable[Fact]) -> list[Knot]:
    """What these events are about, each as they name it: a unit's own name first, else its place, else any name."""
    found: dict[Knot, None] = {}
    for fact in facts:
        for mention in mentions(fact):
            if mention.role == "object" and (knot := _knot(mention)) is not None:
                found[knot] = None
    return sorted(found, key=order)


def histories(
    record: Record, knots: Sequence[Knot], as_of: AsOf, progress: Progress | None = None
) -> Iterator[History]:
    """The history of each board, once; what names several things or none is left out."""
    seen: set[Knot] = set()
    for place, knot in enumerate(knots):
        if progress is not None:
            progress(place, len(knots))
        if knot in seen:
            continue
        things = find(record, knot, as_of)
        if len(things) != 1 or things[0].subject.thing.key in seen:
            continue
        key = things[0].subject.thing.key
        seen |= {key, *things[0].subject.thing.names}
        yield history_of(record, things[0], as_of)


def boards(
    record: Record, knots: Sequence[Knot], as_of: AsOf, progress: Progress | None = None
) -> Iterator[History]:
    """The same, with the boards of a panel in the panel's place as far as they are known one by one."""
    told_of: set[Knot] = set()
    for history in histories(record, knots, as_of, progress):
        inside = [
            Node(member.kind, member.value)
            if member.kind is not None and member.value is not None
            else Slot(Node(history.identity.key.kind, history.identity.key.value), member.position or 0)
            for member in history.identity.boards
        ]
        for one in histories(record, inside, as_of) if inside else [history]:
            key = one.identity.key
            knot = (
                Slot(Node(key.kind, key.value), key.position) if key.position else Node(key.kind, key.value)
            )
            if knot not in told_of:
                told_of.add(knot)
                yield one


def _knot(mention: Mention) -> Knot | None:
    names = [name.node for name in mention.names if not is_placeholder(name.node.value)]
    own = next((node for node in names if node.kind in UNITS), None)
    panel = mention.panel.node if mention.panel is not None else None
    if own is None and panel is not None and mention.position is not None and not is_placeholder(panel.value):
        return Slot(panel, mention.position)
    return own or (names[0] if names else None)

"""How a statement's boards are called and recognised while watching.

Boards are recognised by any name they share. That is less than the history of a board knows, and enough to say
who is here now: what is doubtful is left to the history.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final, NamedTuple

from broker_bridge.live.plain import clean
from broker_bridge.trace.mentions import Knot, Mention, Node, Slot

_ORDER: Final = ("board", "panel", "assembly", "customer_serial", "label")
"""What a person calls a board by, best first; an id that machines gave each other comes last."""


class Called(NamedTuple):
    """The boards of one statement."""

    names: tuple[Node, ...]
    """All names of all boards."""
    knots: frozenset[Knot]
    """What they are recognised by: names of their own, else their place in a panel."""
    panels: frozenset[Node]
    """The panels they are, or were, part of."""
    label: str
    """Cleaned; empty when it is about no board or about one without any name."""


def called(mentions: Sequence[Mention]) -> Called:
    """How the boards which a statement is about are called."""
    objects = [mention for mention in mentions if mention.role == "object"]
    own = [mention for mention in objects if mention.names]
    knots: frozenset[Knot] = frozenset(name.node for mention in own for name in mention.names)
    if not own:
        knots = frozenset(
            Slot(mention.panel.node, mention.position) if mention.position else mention.panel.node
            for mention in objects
            if mention.panel
        )
    panels = dict.fromkeys(mention.panel.node for mention in objects if mention.panel)
    names = dict.fromkeys([*(name.node for mention in own for name in mention.names), *panels])
    return _shared(Called(tuple(names), knots, frozenset(panels) - knots, _label(objects, own)))


@lru_cache(maxsize=8192)
def _shared(boards: Called) -> Called:
    """The same object for equal ones: a panel is told of at every station, with the names of all its boards."""
    return boards


def label_of(mention: Mention) -> str:
    """How one board is called; empty when it has no name."""
    if mention.names:
        return clean(min((name.node for name in mention.names), key=_rank).value)
    if mention.panel is None:
        return ""
    panel = clean(mention.panel.node.value)
    if mention.position is not None:
        return f"{panel} position {mention.position}"
    if mention.machine_position is not None:
        return f"{panel} machine position {clean(mention.machine_position)}"
    return f"a board of {panel}"


def _rank(node: Node) -> tuple[int, str, str]:
    place = _ORDER.index(node.kind) if node.kind in _ORDER else len(_ORDER) + (node.kind == "transfer")
    return place, node.kind, node.value


def _label(objects: list[Mention], own: list[Mention]) -> str:
    if not objects:
        return ""
    first = own[0] if own else objects[0]
    label = label_of(first)
    held = {name.node for name in first.names}
    others = [mention for mention in objects if mention is not first]
    parts = [mention for mention in others if mention.panel and mention.panel.node in held]
    if parts and len(parts) == len(others):
        return f"{label} ({_boards(len(parts))})"
    return f"{label} +{len(others)}" if others and label else label


def _boards(count: int) -> str:
    return "1 board" if count == 1 else f"{count} boards"

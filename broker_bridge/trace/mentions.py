"""Whom a fact names, letter for letter, and what that ties together.

The one reading of identifiers: the index of the record and the history of a board both stand on it.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Final, Literal, NamedTuple

from broker_bridge.events.fact import Fact

CARRIERS: Final = frozenset({"carrier", "magazine"})
"""Kinds that name what a board lies in for a while, never the board."""

UNITS: Final = ("board", "panel", "assembly")
"""Kinds that name a thing of their own: two different ones of a kind are two things until an event names both
as one."""


class Node(NamedTuple):
    """An identifier: what kind it is, and its text letter for letter."""

    kind: str
    value: str


class Slot(NamedTuple):
    """A position of a panel, in the plant's numbering."""

    panel: Node
    position: int


Knot = Node | Slot
"""What a statement can name a board by."""


class Named(NamedTuple):
    """An identifier as one statement gives it."""

    node: Node
    how: str
    """read, passed_on, typed or assumed."""


Role = Literal["object", "parent", "content"]


class Mention(NamedTuple):
    """One board, panel or assembly as one statement names it."""

    role: Role
    """What the statement is about; the panel or assembly it is about; something lying in a magazine."""
    names: tuple[Named, ...]
    """In the order of `order`, each once."""
    panel: Named | None
    position: int | None
    machine_position: str | None
    state: str | None
    unit: str
    side_up: str | None
    """The side that faced up."""
    characteristics: tuple[tuple[str, str], ...]
    """What tells this one apart without naming it: name and value."""


class Tie(NamedTuple):
    """Two identifiers that one statement ties together."""

    relation: Literal["same", "part_of"]
    a: Node
    b: Node
    """For part_of the panel or assembly."""
    position: int | None


def mentions(fact: Fact) -> tuple[Mention, ...]:
    """Whom a fact names. Carriers and magazines are not among them: they are not the board."""
    data = fact.data
    previous = data.get("previous") if fact.type == "board.identified" else None
    found: list[Mention] = []
    boards = data.get("boards") or ()
    for board in boards:
        # Replaced identifiers named the same thing, but only where it is clear which.
        extra = previous if previous and len(boards) == 1 else ()
        found.append(_mention("object", board, extra))
    if fact.type in ("board.joined", "board.separated"):
        found.append(_mention("parent", data["parent"]))
    elif fact.type == "board.asserted" and data.get("of"):
        found.append(_mention("parent", data["of"]))
    elif fact.type == "board.magazine_handled":
        found.extend(_mention("content", slotted["board"]) for slotted in data.get("contents") or ())
    return tuple(found)


def order(knot: Knot) -> tuple[int, str, str, int]:
    """A total order of knots: names of units first, positions last."""
    if isinstance(knot, Slot):
        return len(UNITS) + 1, knot.panel.kind, knot.panel.value, knot.position
    rank = UNITS.index(knot.kind) if knot.kind in UNITS else len(UNITS)
    return rank, knot.kind, knot.value, 0


def ties(fact: Fact, found: tuple[Mention, ...]) -> Iterator[Tie]:
    """What the mentions of a fact tie together, claims that deny a tie included: who judges needs both.

    All names of one mention are tied to the first, a unit's where there is one.
    """
    for mention in found:
        for other in mention.names[1:]:
            yield Tie("same", mention.names[0].node, other.node, None)
        if mention.panel is not None:
            for name in mention.names:
                yield Tie("part_of", name.node, mention.panel.node, mention.position)
    parents = [mention for mention in found if mention.role == "parent"]
    objects = [mention for mention in found if mention.role == "object"]
    for parent in parents:
        for mention in objects:
            for name in mention.names:
                for upper in (*parent.names, *((parent.panel,) if parent.panel else ())):
                    yield Tie("part_of", name.node, upper.node, mention.position or parent.position)
    if fact.type == "board.asserted" and fact.data["claim"] in ("same", "not_same"):
        yield from _claimed(objects)


def _claimed(objects: list[Mention]) -> Iterator[Tie]:
    names = sorted({name.node for mention in objects for name in mention.names}, key=order)
    for other in names[1:]:
        yield Tie("same", names[0], other, None)
    for mention in objects:
        if mention.panel is not None and mention.position is not None:
            for name in names:
                yield Tie("part_of", name, mention.panel.node, mention.position)


def _mention(role: Role, board: Mapping[str, Any], extra: Any = ()) -> Mention:
    identifiers = board.get("identifiers") or ()
    names = [
        Named(Node(i["kind"], i["value"]), i["how"])
        for i in (*identifiers, *extra)
        if i["kind"] not in CARRIERS
    ]
    if len(names) > 1:
        first = {name.node: name for name in reversed(names)}
        names = [first[node] for node in sorted(first, key=order)]
    panel = board.get("panel")
    characteristics = board.get("characteristics")
    return Mention(
        role,
        tuple(names),
        Named(Node(panel["kind"], panel["value"]), panel["how"]) if panel else None,
        board.get("position"),
        board.get("machine_position"),
        board.get("state"),
        board.get("unit", "unknown"),
        board.get("side_up"),
        tuple((item["name"], item["value"]) for item in characteristics) if characteristics else (),
    )

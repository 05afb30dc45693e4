"""Identifiers as a graph: which statements take which identifiers for one thing.

Knots are identifiers and panel positions. A bond is one statement that takes several knots for one thing. A
panel with a label on each side is one panel: its frame is the least of the labels that one statement named
together.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from broker_bridge.trace.assertions import ASSERTED, claimed
from broker_bridge.trace.mentions import UNITS, Knot, Mention, Node, Slot, order
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.value import Value

_BOUNDARIES: Final[Mapping[str, tuple[bool, bool]]] = {
    "board.joined": (False, True),
    "board.separated": (True, False),
    "board.depaneled": (True, False),
}
"""Whether the bond between a board and its panel or assembly holds before and after such an event."""


class Bond(Value):
    """One statement takes these knots for one thing."""

    knots: frozenset[Knot]
    whole: Node | None
    """The panel or assembly which that thing is part of, by this statement."""
    statement: Statement
    asserted: bool
    """A person says so."""
    holds: tuple[bool, bool]
    """Whether the tie to the whole holds before and after the statement's time."""

    @property
    def slot_holds(self) -> tuple[bool, bool]:
        """The same of the position: cutting a panel does not change which board lay where."""
        return (True, True) if self.statement.fact.type == "board.depaneled" else self.holds


class Web:
    """All bonds of some statements."""

    def __init__(self, statements: Sequence[Statement]) -> None:
        self._frames = _frames(statements, persons=True)
        persons = any(statement.fact.type == ASSERTED for statement in statements)
        self._stated_frames = _frames(statements, persons=False) if persons else self._frames
        self.bonds: dict[Knot, list[Bond]] = {}
        self.parts: dict[Node, list[Bond]] = {}
        """Bonds by the frame of their whole."""
        self.denials: list[Bond] = []
        """Persons' statements that these knots, or thing and whole, do not belong together."""
        self._next: dict[Knot, dict[Knot, bool]] = {}
        for statement in statements:
            for bond in self._bonds(statement):
                self._add(bond)
        for statement in claimed(statements, "not_same", "not_part_of"):
            self.denials.extend(self._denials(statement))

    def frame(self, panel: Node) -> Node:
        """The one identifier that stands for a panel or assembly."""
        return self._frames.get(panel, panel)

    def stated_frame(self, panel: Node) -> Node:
        """The same without what only persons state."""
        return self._stated_frames.get(panel, panel)

    def knots(self, mention: Mention) -> frozenset[Knot]:
        """All that a mention names its thing by."""
        names: list[Knot] = [name.node for name in mention.names]
        if mention.panel is not None and mention.position is not None:
            names.append(Slot(self.frame(mention.panel.node), mention.position))
        return frozenset(names)

    def neighbours(self, knot: Knot, stated_only: bool = False) -> list[Knot]:
        """The knots that some statement takes for the same thing as this one, in order."""
        tied = self._next.get(knot, {})
        return sorted((other for other, stated in tied.items() if stated or not stated_only), key=order)

    def known(self, knot: Knot) -> bool:
        """Whether any statement names it, by itself or as the whole of something."""
        return knot in self._next or (isinstance(knot, Node) and self.frame(knot) in self.parts)

    def _add(self, bond: Bond) -> None:
        for knot in bond.knots:
            self.bonds.setdefault(knot, []).append(bond)
            self._next.setdefault(knot, {})
        if bond.whole is not None:
            self.parts.setdefault(bond.whole, []).append(bond)
        ordered = sorted(bond.knots, key=order)
        for other in ordered[1:]:
            # Tied to the first, not in a chain: what a shared name leads to is not what the first one leads to.
            for a, b in ((ordered[0], other), (other, ordered[0])):
                self._next[a][b] = self._next[a].get(b, False) or not bond.asserted

    def _bonds(self, statement: Statement) -> Iterator[Bond]:
        kind = statement.fact.type
        holds = _BOUNDARIES.get(kind, (True, True))
        objects = [mention for mention in statement.mentions if mention.role != "parent"]
        parents = [mention for mention in statement.mentions if mention.role == "parent"]
        asserted = kind == ASSERTED
        claim = statement.get("claim") if asserted else None
        if asserted and claim == "same":
            together = frozenset[Knot]().union(*(self.knots(mention) for mention in objects))
            yield Bond(together, None, statement, True, (True, True))
            return
        if not asserted or claim == "part_of":
            for parent in parents:
                whole = self._whole(parent)
                for mention in objects:
                    if whole is not None:
                        yield Bond(self._inside(mention, parent, whole), whole, statement, asserted, holds)
        if parents:
            for mention in parents:
                yield Bond(self.knots(mention), None, statement, False, (True, True))
            if claim is None:
                return
        for mention in objects:
            whole = self.frame(mention.panel.node) if mention.panel else None
            yield Bond(self.knots(mention), whole, statement, asserted, holds)

    def _denials(self, statement: Statement) -> Iterator[Bond]:
        objects = [mention for mention in statement.mentions if mention.role != "parent"]
        parents = [mention for mention in statement.mentions if mention.role == "parent"]
        if statement.get("claim") == "not_same":
            together = frozenset[Knot]().union(*(self.knots(mention) for mention in objects))
            yield Bond(together, None, statement, True, (True, True))
        for parent in parents:
            for mention in objects:
                whole = self._whole(parent)
                yield Bond(self.knots(mention), whole, statement, True, (True, True))

    def _whole(self, parent: Mention) -> Node | None:
        if parent.names:
            return self.frame(parent.names[0].node)
        return self.frame(parent.panel.node) if parent.panel else None

    def _inside(self, mention: Mention, parent: Mention, whole: Node) -> frozenset[Knot]:
        names = frozenset[Knot](name.node for name in mention.names)
        position = mention.position if mention.position is not None else parent.position
        return names if position is None else names | {Slot(whole, position)}


def unit(knot: Knot) -> str | None:
    """The unit whose own name this is; a position stands for the board in it. None for all other names."""
    if isinstance(knot, Slot):
        return "slot"
    return knot.kind if knot.kind in UNITS else None


def _frames(statements: Sequence[Statement], *, persons: bool) -> dict[Node, Node]:
    tied: dict[Node, set[Node]] = {}
    wholes: set[Node] = set()
    groups = [
        mention.names
        for statement in statements
        if persons or statement.fact.type != ASSERTED
        for mention in statement.mentions
    ]
    if persons:
        groups += [
            tuple(name for mention in statement.mentions for name in mention.names)
            for statement in claimed(statements, "same")
        ]
    for statement in statements:
        wholes.update(mention.panel.node for mention in statement.mentions if mention.panel)
    for names in groups:
        nodes = {name.node for name in names}
        panels = {node for node in nodes if node.kind == "panel"}
        for node in panels | (nodes & wholes):
            tied.setdefault(node, set()).update(panels - {node})
    frames: dict[Node, Node] = {}
    for node in sorted(tied):
        if node.kind == "panel" and node not in frames:
            for member in _connected(node, tied):
                frames[member] = node
    for node, panels in tied.items():
        # A panel named by something else than its own label: only where one panel alone has that name.
        targets = {frames[panel] for panel in panels}
        if node.kind != "panel" and len(targets) == 1:
            frames[node] = targets.pop()
    return frames


def _connected(start: Node, tied: dict[Node, set[Node]]) -> set[Node]:
    seen, agenda = {start}, [start]
    while agenda:
        for other in tied.get(agenda.pop(), ()):
            if other.kind == "panel" and other not in seen:
                seen.add(other)
                agenda.append(other)
    return seen

"""Which board a statement is about, settled for all boards at once by the ties of the index.

A board is told by its panel and position, by its serial, or by both where exactly one of each belongs together. Where
names contradict each other, nothing is weighed here, as the history of one board does it: what is said under such a name
is counted apart as in doubt. A statement of a panel is one of each of its boards.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from broker_bridge.projector.ties import Ties
from broker_bridge.trace.mentions import UNITS, Knot, Node, Slot, order
from broker_bridge.trace.statements import is_placeholder

PRODUCT: Final = (None, "production")


class Boards:
    """All boards that statements name, numbered as they are met."""

    def __init__(self, ties: Ties) -> None:
        self.knots: list[Knot] = []
        self.part: list[str | None] = []
        self.order: list[str | None] = []
        self.purpose: list[str | None] = []
        self.crossed_out: set[int] = set()
        """Positions that a source skipped: they use no parts and are in no yield."""
        self.doubtful: set[int] = set()
        """Boards whose names contradict each other."""
        self._code: dict[Knot, int] = {}
        self._panels = _labels(ties)
        self._aliases = self._read_aliases(ties)
        self._serials: dict[Node, set[Slot]] = {}
        self._slots: dict[Slot, set[Node]] = {}
        self._within: dict[Node, set[Slot]] = {}
        self._unplaced: dict[Node, Node] = {}
        """The panel of boards of which it is told, and not at which position."""
        for thing, whole, position in ties.parts:
            if (
                thing.kind == "board"
                and position
                and whole.kind == "panel"
                and not is_placeholder(whole.value)
            ):
                slot = Slot(self._panel(whole), position)
                self._within.setdefault(slot.panel, set()).add(slot)
                if not is_placeholder(thing.value):
                    self._serials.setdefault(thing, set()).add(slot)
                    self._slots.setdefault(slot, set()).add(thing)

    def __len__(self) -> int:
        return len(self.knots)

    def key(self, code: int) -> str:
        """A board as a person calls it: its serial, else its panel and position."""
        knot = self.knots[code]
        if isinstance(knot, Slot):
            serials = self._slots.get(knot, set())
            return next(iter(serials)).value if len(serials) == 1 else f"{knot.panel.value} #{knot.position}"
        return knot.value

    def panel(self, code: int) -> str:
        """The panel of a board; the board itself where it is in none that is known."""
        knot = self.knots[code]
        return knot.panel.value if isinstance(knot, Slot) else self._unplaced.get(knot, knot).value

    def position(self, code: int) -> int | None:
        """The board's place in its panel."""
        knot = self.knots[code]
        return knot.position if isinstance(knot, Slot) else None

    def named(self, data: Mapping[str, Any]) -> tuple[int, ...]:
        """The boards an event's data are about; empty where no name leads to one."""
        found: list[int] = []
        for entry in data.get("boards", ()):
            found += self.entry(entry)
        for code in found:
            self._learn(code, data)
        return tuple(dict.fromkeys(found))

    def entry(self, stated: Mapping[str, Any]) -> Sequence[int]:
        """The boards that one entry means."""
        names = [Node(one["kind"], one["value"]) for one in stated.get("identifiers", ())]
        names = [name for name in names if not is_placeholder(name.value)]
        panel = stated.get("panel")
        position = stated.get("position")
        own = next((name for name in names if name.kind == "board"), None)
        slot = None
        if panel is not None and position is not None and not is_placeholder(panel["value"]):
            slot = Slot(self._panel(Node(panel["kind"], panel["value"])), position)
            self._within.setdefault(slot.panel, set()).add(slot)
        elif panel is not None and own is not None and not is_placeholder(panel["value"]):
            self._unplaced.setdefault(own, self._panel(Node(panel["kind"], panel["value"])))
        code = self._board(own, slot) if own is not None or slot is not None else None
        if code is not None:
            if stated.get("state") in ("skipped", "missing"):
                self.crossed_out.add(code)
            return (code,)
        if panel is not None and not names:
            return ()  # of this panel, and the position is not known
        for name in names:
            for meant in self._aliases.get(name, (name,)):
                if meant.kind == "panel":
                    return self.boards_of(meant)
                if meant.kind == "board":
                    return (self._board(meant, None),)
        return ()

    def boards_of(self, panel: Node) -> Sequence[int]:
        """The boards of a panel; the panel as one thing where none is known."""
        within = self._within.get(self._panel(panel))
        if not within:
            return (self._number(self._panel(panel)),)
        return [self._board(None, slot) for slot in sorted(within, key=lambda slot: slot.position)]

    def _board(self, own: Node | None, slot: Slot | None) -> int:
        if own is not None:
            slots = self._serials.get(own, set())
            if len(slots) == 1 and len(self._slots[next(iter(slots))]) == 1:
                tied = next(iter(slots))
                code = self._number(tied)
                if slot is not None and slot != tied:
                    self.doubtful.add(code)
                return code
            code = self._number(own)
            if len(slots) > 1 or slots:
                self.doubtful.add(code)
            return code
        assert slot is not None
        code = self._number(slot)
        if len(self._slots.get(slot, ())) > 1:
            self.doubtful.add(code)
        return code

    def _number(self, knot: Knot) -> int:
        code = self._code.get(knot)
        if code is None:
            code = self._code[knot] = len(self.knots)
            self.knots.append(knot)
            self.part.append(None)
            self.order.append(None)
            self.purpose.append(None)
        return code

    def _learn(self, code: int, data: Mapping[str, Any]) -> None:
        part = data.get("part")
        if part is not None and self.part[code] is None:
            self.part[code] = part["number"]
        if self.order[code] is None:
            self.order[code] = data.get("order")
        purpose = data.get("purpose")
        if purpose is not None and self.purpose[code] in PRODUCT:
            self.purpose[code] = purpose

    def _panel(self, label: Node) -> Node:
        return self._panels.get(label, label)

    def _read_aliases(self, ties: Ties) -> dict[Node, tuple[Node, ...]]:
        """Other identifiers to the one unit they name; nothing where they name several."""
        meant: dict[Node, set[Node]] = {}
        for a, b in ties.same:
            for name, unit in ((a, b), (b, a)):
                if name.kind not in UNITS and unit.kind in UNITS:
                    meant.setdefault(name, set()).add(self._panel(unit))
        return {name: tuple(units) if len(units) == 1 else () for name, units in meant.items()}


def _labels(ties: Ties) -> dict[Node, Node]:
    """Labels of panels that have several, each to the first of them by name."""
    leader: dict[Node, Node] = {}

    def top(label: Node) -> Node:
        while leader.get(label, label) != label:
            label = leader[label]
        return label

    for a, b in _of_panels(ties.same):
        first, second = sorted((top(a), top(b)), key=order)
        leader[second] = first
        leader.setdefault(first, first)
    return {label: top(label) for label in leader}


def _of_panels(same: Iterable[tuple[Node, Node]]) -> Iterable[tuple[Node, Node]]:
    return (
        (a, b)
        for a, b in same
        if a.kind == b.kind == "panel" and not (is_placeholder(a.value) or is_placeholder(b.value))
    )

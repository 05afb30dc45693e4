"""Pure: which events have to follow each other, because they may be about one board.

Two events belong to one chain when they share a name of a board, or names that some event before has linked. Events
about no board follow each other by their source.
"""

from collections.abc import Hashable, Sequence
from typing import Final

from broker_bridge.events.fact import Fact

_MOST: Final = 500_000
"""Names remembered. Beyond, all are forgotten: until they are linked anew, a board's names count as several boards."""


class Chains:
    """Remembers which names are one board from one window to the next."""

    def __init__(self, most: int = _MOST) -> None:
        self._most = most
        self._parents: dict[Hashable, Hashable] = {}

    def of(self, facts: Sequence[Fact]) -> list[list[Fact]]:
        """The events as chains, each in the order given; the chains by their first events."""
        if len(self._parents) > self._most:
            self._parents.clear()
        handles = [self._handle(fact) for fact in facts]
        found: dict[Hashable, list[Fact]] = {}
        for fact, handle in zip(facts, handles, strict=True):
            found.setdefault(self._root(handle), []).append(fact)
        return list(found.values())

    def _handle(self, fact: Fact) -> Hashable:
        names: list[Hashable] = []
        for board in fact.data.get("boards") or ():
            names += [(name["kind"], name["value"]) for name in board.get("identifiers") or ()]
            if panel := board.get("panel"):
                names.append((panel["kind"], panel["value"]))
        if not names:
            return fact.source
        for other in names[1:]:
            one, two = self._root(names[0]), self._root(other)
            if one != two:
                self._parents[two] = one
        self._parents.setdefault(names[0], names[0])
        return names[0]

    def _root(self, name: Hashable) -> Hashable:
        root = name
        while (parent := self._parents.get(root, root)) != root:
            root = parent
        while name != root:
            self._parents[name], name = root, self._parents.get(name, root)
        return root

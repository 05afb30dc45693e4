"""Where the trace finds what stations had set up: some facts, or whoever reads a record (projector.supply)."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Protocol

from broker_bridge.trace.life import lived
from broker_bridge.trace.setups import CHANGED, PLANNED, PROGRAM, SLOT, Mark, contents, in_order, mark, widens
from broker_bridge.trace.statements import Statement


class Supply(Protocol):
    """Where the trace finds what was set up. More than was asked for never changes an answer."""

    def used(self, line: str, station: str) -> frozenset[str]:
        """The families of which anything is said of a station."""
        ...

    def slots(self, line: str, station: str) -> Sequence[str]:
        """The slots of which anything is said, in order."""
        ...

    def marks(
        self, line: str, station: str, family: str, slot: str, start: datetime, end: datetime
    ) -> Sequence[Mark]:
        """From the last proof at or before `start` on (all before, where there is none) to the first behind `end`."""
        ...

    def plans(self, line: str, station: str, time: datetime, program: str | None) -> Sequence[Statement]:
        """The program loaded nearest before a time, this one nearest before and after it, and what they take from
        where."""
        ...

    def gaps(self, line: str, station: str, since: datetime, until: datetime) -> Sequence[Statement]:
        """Gaps and dated rejected records of the sources that tell a station's set-ups."""
        ...

    def lots(self, container: str) -> frozenset[str]:
        """All lots that any statement gives a reel or container."""
        ...

    def lives(self, container: str) -> Sequence[Statement]:
        """What is said of the life of a reel or container: exposures, and statements with an expiry, in order."""
        ...

    def beside(self, statement: Statement) -> Sequence[Statement]:
        """What its source says of the boards of its panel at the same time and station."""
        ...


class Setups:
    """The supply of some facts that hold."""

    def __init__(self, statements: Iterable[Statement]) -> None:
        self._marks: dict[tuple[str, str, str, str], list[Mark]] = {}
        self._plans: dict[tuple[str, str], list[Statement]] = {}
        self._sources: dict[tuple[str, str], set[str]] = {}
        self._lots: dict[str, set[str]] = {}
        self._all = sorted(statements, key=lambda s: (s.time, s.evidence))
        for statement in self._all:
            where = statement.line, statement.get("station") or ""
            for container, lots in contents(statement.fact):
                self._lots.setdefault(container, set()).update(lots)
            if statement.fact.type in (PLANNED, CHANGED) and where[1]:
                self._plans.setdefault(where, []).append(statement)
            found = mark(statement)
            if found is not None:
                self._marks.setdefault((*where, found.family, found.slot), []).append(found)
                self._sources.setdefault(where, set()).add(statement.fact.source)
        for found_marks in self._marks.values():
            found_marks.sort(key=in_order)

    def used(self, line: str, station: str) -> frozenset[str]:
        """See Supply."""
        families = {key[2] for key in self._marks if key[:2] == (line, station)}
        planned = any(s.fact.type == PLANNED for s in self._plans.get((line, station), ()))
        return frozenset(families | ({PROGRAM} if planned else set()))

    def slots(self, line: str, station: str) -> Sequence[str]:
        """See Supply."""
        return sorted(key[3] for key in self._marks if key[:3] == (line, station, SLOT))

    def marks(
        self, line: str, station: str, family: str, slot: str, start: datetime, end: datetime
    ) -> Sequence[Mark]:
        """See Supply."""
        return self._marks.get((line, station, family, slot), [])

    def plans(self, line: str, station: str, time: datetime, program: str | None) -> Sequence[Statement]:
        """See Supply."""
        return self._plans.get((line, station), [])

    def gaps(self, line: str, station: str, since: datetime, until: datetime) -> Sequence[Statement]:
        """See Supply."""
        sources = self._sources.get((line, station), set())
        return [s for s in self._all if widens(s, station) and s.fact.source in sources]

    def lots(self, container: str) -> frozenset[str]:
        """See Supply."""
        return frozenset(self._lots.get(container, ()))

    def lives(self, container: str) -> Sequence[Statement]:
        """See Supply."""
        return [s for s in self._all if container in lived(s.fact)]

    def beside(self, statement: Statement) -> Sequence[Statement]:
        """See Supply."""
        panels = panels_of(statement)
        return [
            other
            for other in self._all
            if other.time == statement.time
            and other.fact.source == statement.fact.source
            and other.get("station") == statement.get("station")
            and panels & panels_of(other)
        ]


def panels_of(statement: Statement) -> set[Any]:
    """The panels a statement names, as the thing or as what the thing is part of."""
    return {mention.panel.node for mention in statement.mentions if mention.panel} | {
        name.node for mention in statement.mentions for name in mention.names
    }

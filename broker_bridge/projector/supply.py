"""What stations had set up, read through the index as it is asked for."""

import json
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.projector.entries import microseconds
from broker_bridge.projector.holding import holding
from broker_bridge.projector.index import Index
from broker_bridge.store.base import StoreReader
from broker_bridge.trace.gaps import EVER, NEVER
from broker_bridge.trace.mentions import Node
from broker_bridge.trace.setups import Mark, in_order, mark, widens
from broker_bridge.trace.statements import Statement, opened
from broker_bridge.trace.supply import panels_of

_STRETCH: Final = timedelta(hours=8)
"""What is read at once of a slot where many boards are asked about."""
_KEPT: Final = 20_000
"""Marks kept; then they are let go of."""


class IndexSupply:
    """A `Supply` over the index. With `many`, what one board asks for is kept for the next."""

    def __init__(self, reader: StoreReader, index: Index, upto: int, *, many: bool = False) -> None:
        self._reader, self._index, self._upto, self._many = reader, index, upto, many
        self._families: dict[tuple[str, str], dict[str, list[str]]] = {}
        self._stretches: dict[tuple[str, str, str, str, int], list[Mark]] = {}
        self._planned: dict[tuple[str, str, datetime, str | None], tuple[int, ...]] = {}
        self._plans: dict[tuple[int, ...], list[Statement]] = {}
        self._lots: dict[str, frozenset[str]] = {}
        self._lives: dict[str, list[Statement]] = {}
        self._held = 0

    def used(self, line: str, station: str) -> frozenset[str]:
        """See Supply."""
        return frozenset(self._of(line, station))

    def slots(self, line: str, station: str) -> Sequence[str]:
        """See Supply."""
        return self._of(line, station).get("slot", [])

    def marks(
        self, line: str, station: str, family: str, slot: str, start: datetime, end: datetime
    ) -> Sequence[Mark]:
        """See Supply."""
        if not self._many or end - start > _STRETCH:
            return self._read(line, station, family, slot, start, end)
        length = round(_STRETCH / timedelta(microseconds=1))
        stretch = microseconds(start) // length
        key = (line, station, family, slot, stretch)
        if key not in self._stretches:
            if self._held > _KEPT:
                self._stretches.clear()
                self._held = 0
            begun = start - (microseconds(start) % length) * timedelta(microseconds=1)
            self._stretches[key] = self._read(line, station, family, slot, begun, begun + 2 * _STRETCH)
            self._held += len(self._stretches[key])
        return self._stretches[key]

    def plans(self, line: str, station: str, time: datetime, program: str | None) -> Sequence[Statement]:
        """See Supply."""
        when = line, station, time, program
        if when not in self._planned:
            # The boards of a panel ask for one time, panels for times between the same two programs.
            if len(self._planned) > _KEPT:
                self._planned.clear()
                self._plans.clear()
            self._planned[when] = tuple(
                self._index.plans(line, station, microseconds(time), program, self._upto)
            )
        numbers = self._planned[when]
        if numbers not in self._plans:
            self._plans[numbers] = opened(holding(self._reader, self._index, numbers, self._upto))
        return self._plans[numbers]

    def gaps(self, line: str, station: str, since: datetime, until: datetime) -> Sequence[Statement]:
        """See Supply."""
        numbers = self._index.missing_of(line, station, microseconds(since), microseconds(until), self._upto)
        if not numbers:
            return []
        sources = self._index.mark_sources(line, station, self._upto)
        found = opened(holding(self._reader, self._index, numbers, self._upto))
        return [s for s in found if widens(s, station) and s.fact.source in sources]

    def lots(self, container: str) -> frozenset[str]:
        """See Supply."""
        if container not in self._lots:
            stated = self._index.lots(container, self._upto)
            self._lots[container] = frozenset(lot for lots in stated for lot in json.loads(lots))
        return self._lots[container]

    def lives(self, container: str) -> Sequence[Statement]:
        """See Supply."""
        if container not in self._lives:
            numbers = self._index.lives(container, self._upto)
            self._lives[container] = (
                opened(holding(self._reader, self._index, numbers, self._upto)) if numbers else []
            )
        return self._lives[container]

    def beside(self, statement: Statement) -> Sequence[Statement]:
        """See Supply."""
        panels = [node for node in panels_of(statement) if isinstance(node, Node)]
        found = opened(holding(self._reader, self._index, self._index.beside(panels, self._upto), self._upto))
        return [
            other
            for other in found
            if other.time == statement.time
            and other.fact.source == statement.fact.source
            and other.get("station") == statement.get("station")
        ]

    def _of(self, line: str, station: str) -> dict[str, list[str]]:
        if (line, station) not in self._families:
            self._families[line, station] = self._index.families(line, station, self._upto)
        return self._families[line, station]

    def _read(
        self, line: str, station: str, family: str, slot: str, start: datetime, end: datetime
    ) -> list[Mark]:
        since = microseconds(start if start > EVER else EVER)
        numbers = self._index.marks(
            line, station, family, slot, since, microseconds(min(end, NEVER)), self._upto
        )
        found = [
            mark(statement) for statement in opened(holding(self._reader, self._index, numbers, self._upto))
        ]
        return sorted((m for m in found if m is not None), key=in_order)

"""What parts look like, as they were declared last: components, their places, opportunities."""

from collections.abc import Collection
from typing import NamedTuple

from broker_bridge.analysis.dpmo import Opportunities
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

_ALL = 100_000


class Component(NamedTuple):
    """A component of one part."""

    designator: str
    item: str | None
    """Its part number."""
    side: str | None
    terminations: int | None
    x: float | None
    """mm, on its board, seen from its own side."""
    y: float | None


class Parts:
    """Declared placement and panel layout by part number."""

    def __init__(
        self,
        placement: dict[str, dict[str, Component]],
        positions: dict[str, dict[int, tuple[float, float, float]]],
    ) -> None:
        self.placement, self.positions = placement, positions

    def item(self, part: str | None, designator: str) -> str | None:
        """The part number of a component."""
        found = self.placement.get(part or "", {}).get(designator)
        return None if found is None else found.item

    def opportunities(self, part: str | None, sides: Collection[str | None]) -> Opportunities | None:
        """Of one board with these sides looked at (None: all of it); None where they are not declared."""
        declared = self.placement.get(part or "")
        if not declared:
            return None
        mine = [c for c in declared.values() if None in sides or c.side is None or c.side in sides]
        if any(c.terminations is None for c in mine):
            return None
        return Opportunities.of(len(mine), sum(c.terminations or 0 for c in mine))


def read_parts(record: Record, as_of: AsOf) -> Parts:
    """The declarations of a record, the newest of each part."""
    placement: dict[str, dict[str, Component]] = {}
    positions: dict[str, dict[int, tuple[float, float, float]]] = {}
    for fact in record.reader.typed(("line.part_declared",), 0, as_of.number, _ALL):
        part = fact.data.get("part")
        if not part:
            continue
        spots = fact.data.get("placement", ())
        if spots:
            placement[part["number"]] = {
                spot["name"]: Component(
                    spot["name"], (spot.get("part") or {}).get("number"), spot.get("side"), spot.get("terminations"),
                    spot.get("x_mm"), spot.get("y_mm"),
                )
                for spot in spots
            }  # fmt: skip
        layout = {
            int(spot["name"]): (spot["x_mm"], spot["y_mm"], spot.get("rotation_deg") or 0.0)
            for spot in fact.data.get("positions", ())
            if spot["name"].isdigit() and spot.get("x_mm") is not None and spot.get("y_mm") is not None
        }
        if layout:
            positions[part["number"]] = layout
    return Parts(placement, positions)

"""Material that a source states to be on this board, or to have come off it.

Only what is stated board by board. What a machine had set up at its slots meanwhile is not joined here.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.inspections import Place, Record, scope_of
from broker_bridge.trace.value import Value

STATED: Final = {
    "material.installed": "installed",
    "material.consumed": "consumed",
    "material.removed_from_board": "removed",
    "board.introduced": "bare_board",
}
"""Types that put material on a board or take it off, and the word for it."""


class Material(Value):
    """Material installed on, consumed for or removed from the board."""

    act: str
    """installed, consumed, removed or bare_board"""
    time: datetime
    station: str | None
    scope: str
    side: str | None
    places: tuple[Place, ...]
    id: str | None
    """The plant's own id of the reel or container."""
    part: str | None
    maker: str | None
    maker_part: str | None
    lots: tuple[str, ...]
    """The maker's lots in it: any of them may be on the board."""
    date_code: str | None
    slot: str | None
    feeder: str | None
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


def materials(records: Iterable[Record]) -> list[Material]:
    """What was stated, in order of time."""
    found = [_material(record, stated) for record in records if (stated := _stated(record)) is not None]
    return sorted(found, key=lambda material: (material.time, material.evidence))


def _stated(record: Record) -> dict[str, Any] | None:
    material: dict[str, Any] | None = record.statement.get("material")
    if material is None and record.statement.fact.type in ("material.removed_from_board",):
        return {}
    return material


def _material(record: Record, stated: dict[str, Any]) -> Material:
    statement, belief = record.statement, record.about.belief
    feeding = statement.get("feeding") or {}
    return Material(
        act=STATED[statement.fact.type],
        time=statement.time,
        station=statement.get("station"),
        scope=scope_of(record),
        side=statement.get("side"),
        places=tuple(Place.of(place) for place in statement.get("places") or ()),
        id=stated.get("id"),
        part=stated.get("part"),
        maker=stated.get("maker"),
        maker_part=stated.get("maker_part"),
        lots=tuple(stated.get("lots") or ()),
        date_code=stated.get("date_code"),
        slot=feeding.get("slot"),
        feeder=feeding.get("feeder"),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=(statement.evidence,),
    )

"""Floor life and shelf life of material, and whether it was used beyond them."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace.statements import Statement, instant

EXPOSED: Final = "material.exposed"


def lived(fact: Fact) -> list[str]:
    """The containers of whose life a fact says something."""
    if not fact.type.startswith("material."):
        return []
    stated = [m for name in ("material", "previous") if (m := fact.data.get(name))]
    return [m["id"] for m in stated if m.get("id") and (m.get("expires") or fact.type == EXPOSED)]


def exceeded(lives: Sequence[Statement], container: str, time: datetime) -> str | None:
    """Why a container was used beyond its life at a time (J-STD-033 floor life, shelf life); None where it was not.

    Floor life runs from when it was opened until it is stored dry; baking or restoring begins it anew. Only what is
    stated is judged: no level means no floor life here.
    """
    limit: tuple[datetime, str] | None = None
    floor: tuple[datetime, str] | None = None
    left: timedelta | None = None
    for statement in lives:
        if statement.time > time:
            break
        material = next(
            m for name in ("material", "previous") if (m := statement.get(name)) and m.get("id") == container
        )
        if material.get("expires"):
            limit = instant(material["expires"]), "shelf life"
        if statement.fact.type != EXPOSED:
            continue
        hours, until = statement.get("remaining_h"), statement.instant("until")
        left = timedelta(hours=hours) if hours is not None else left
        match statement.get("change"):
            case "expired":
                return f"{container} was told as expired at {statement.time:%Y-%m-%d %H:%M}"
            case "dry_stored" | "restored" | "baked":
                floor = None
            case _:
                end = until or (statement.time + left if left is not None else None)
                floor = (end, "floor life") if end is not None else None
    for known in (floor, limit):
        if known is not None and time > known[0]:
            return f"{container} was used beyond its {known[1]}, which ended {known[0]:%Y-%m-%d %H:%M}"
    return None

"""How complete each source of a record is, and what it said of itself last."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

from broker_bridge.queries.record import Record


class Source(NamedTuple):
    """One source."""

    source: str
    heard: datetime | None
    """When its newest event was recorded, by the recorder's clock, as far back as the service looks."""
    numbered: bool
    """The record holds numbered events of it."""
    missing: int
    """Numbered events that the record does not hold yet."""
    condition: str | None
    """What it said of itself last; None: nothing that the record kept."""
    detail: str | None
    backlog: int | None
    """Events held at its edge then."""
    told: datetime | None


def sources(record: Record, heard: Mapping[str, datetime]) -> list[Source]:
    """By name. `heard`: when the newest event of each was recorded."""
    states: dict[str, Any] = {name: json.loads(body) for name, body in record.reader.states().items()}
    missing: dict[str, int] = {}
    numbered: set[str] = set()
    for progress in record.reader.progress():
        if progress.contiguous or progress.above:
            numbered.add(progress.source)
        count = sum(last - first + 1 for first, last in progress.missing())
        missing[progress.source] = missing.get(progress.source, 0) + count
    found: list[Source] = []
    for name in sorted(missing.keys() | states.keys() | heard.keys()):
        said = states.get(name, {})
        told = said.get("issued")
        found.append(
            Source(
                source=name,
                heard=heard.get(name),
                numbered=name in numbered,
                missing=missing.get(name, 0),
                condition=said.get("condition"),
                detail=said.get("detail") or None,
                backlog=said.get("backlog"),
                told=datetime.fromisoformat(told) if told else None,
            )
        )
    return found

"""Pictures of a line made of facts, for tests of what a technician sees."""

from collections.abc import Iterable
from datetime import UTC
from typing import Any

from told import LINE, at

from broker_bridge.events.fact import Fact
from broker_bridge.live.choice import ALL, Choice
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus
from broker_bridge.live.picture import Picture, Row, View
from broker_bridge.live.told import tell

NOW = at("12:00:00")
CLOCK = Clock(NOW, UTC)
BUS = Bus("127.0.0.1:1883", True, at("08:00:00"), "")


def view(facts: Iterable[Fact], choice: Choice = ALL, order: tuple[str, ...] = (), **more: Any) -> View:
    """What these facts look like at noon, in whatever order they come."""
    picture = Picture([(LINE, name) for name in order])
    for fact in facts:
        picture.take(tell(fact))
    return picture.view(CLOCK, BUS, choice, **more)


def row(seen: View, name: str) -> Row:
    """The row of a station."""
    return next(row for _, rows in seen.lines for row in rows if row.station.name == name)

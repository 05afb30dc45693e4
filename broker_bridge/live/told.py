"""An event cut down to what a person watching needs; a column of 5,000 paste values does not stay in memory."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, NamedTuple

from broker_bridge.events.fact import Fact
from broker_bridge.live.clock import instant_of
from broker_bridge.live.names import called
from broker_bridge.live.words import phrase, sentence
from broker_bridge.trace.mentions import Knot, Node, mentions
from broker_bridge.trace.revisions import RawRecord, raw_record

_KEPT: Final[Mapping[str, tuple[str, ...]]] = {
    "board.arrived": ("how",),
    "board.departed": ("how",),
    "board.transferred": ("to_station", "giver", "taker"),
    "station.state_changed": ("state", "native", "reason", "alarm"),
    "station.alarm_raised": ("code", "text", "severity", "alarm"),
    "station.alarm_cleared": ("code", "alarm"),
    "material.low": ("feeding", "empty"),
    "material.set_up": ("feeding",),
    "material.spliced": ("feeding",),
    "material.removed": ("feeding",),
    "source.gap": ("cause", "start", "end", "detail"),
    "source.connected": ("detail",),
    "source.disconnected": ("detail",),
    "line.declared": ("line", "stations", "valid_from"),
}
"""The fields which the picture looks at; the sentence is made before the others go."""

_SECOND: Final = frozenset({"board.departed", "station.alarm_cleared", "material.set_up", "material.spliced"})
"""What comes second where two statements of a source have one time: clocks of machines tell whole seconds."""


class Told(NamedTuple):
    """One event, small."""

    at: datetime
    """When it happened, as its source says."""
    source: str
    line: str
    """/site/area/line"""
    station: str | None
    candidates: tuple[str, ...]
    type: str
    record: RawRecord
    ordinal: int
    revision: int
    lane: int | None
    names: tuple[Node, ...]
    knots: frozenset[Knot]
    panels: frozenset[Node]
    label: str
    """How its boards are called, cleaned; empty when about none."""
    said: str
    """What it says of them, cleaned."""
    about: Mapping[str, Any]

    @property
    def id(self) -> str:
        """The event's id within its source."""
        _, generation, position = self.record
        return f"{generation}.{position}.{self.ordinal}.{self.revision}"

    @property
    def text(self) -> str:
        """The sentence, cleaned, without time and station."""
        return sentence(self.type, self.label, self.said)

    @property
    def key(self) -> tuple[object, ...]:
        """Order by event time, then by what makes the order one and the same everywhere."""
        return self.at, self.type in _SECOND, self.record, self.ordinal, self.revision


def tell(fact: Fact) -> Told:
    """An event as it is shown. Reads what was validated before; raises nothing of its own."""
    data = fact.data
    found = mentions(fact)
    boards = called(found)
    return Told(
        at=instant_of(fact.time),
        source=fact.source,
        line=fact.source.rpartition("/")[0],
        station=data.get("station"),
        candidates=tuple(data.get("candidates") or ()),
        type=fact.type,
        record=raw_record(fact),
        ordinal=fact.ordinal,
        revision=fact.revision,
        lane=data.get("lane"),
        names=boards.names,
        knots=boards.knots,
        panels=boards.panels,
        label=boards.label,
        said=phrase(fact, found),
        about={name: data[name] for name in _KEPT.get(fact.type, ()) if name in data},
    )

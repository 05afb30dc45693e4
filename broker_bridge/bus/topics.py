"""Topic names. Levels follow ISA-95: site, area, line, station.

    {root}/v1/{site}/{area}/{line}/{station}/{adapter}/event/{family}/{type}    one event, never retained
    {root}/v1/{site}/{area}/{line}/_/{adapter}/batch                            CloudEvents batch of one source
    {root}/v1/{site}/{area}/{line}/_/{adapter}/state/source                     retained: epoch, numbers, condition
    {root}/v1/{site}/{area}/{line}/_/{adapter}/receipt/{record}                 retained: what a record has
    {root}/v1/{site}/_/_/_/{edge}/state/edge                                    retained: an edge's condition
    {root}/v1/{site}/_/_/_/{record}/state/record                                retained: a record's condition

`_` stands where a level does not apply or the station is unknown.
"""

import re
from typing import Final, NamedTuple

VERSION: Final = "v1"
NONE: Final = "_"

_KNOWN: Final = 10_000
"""Topics remembered with what they say: a plant speaks on far fewer, and every message asks."""

_NAME = r"[a-z0-9][a-z0-9-]{0,62}"
_STATION = re.compile(rf"\A{_NAME}\Z", re.ASCII)
_SOURCE = re.compile(rf"\A/({_NAME})/({_NAME})/({_NAME})/({_NAME})\Z", re.ASCII)


class Address(NamedTuple):
    """Who speaks on a topic and what kind of message it is, read back from the topic name."""

    source: str
    station: str | None
    kind: str
    """`event`, `batch`, `state` or `receipt`."""
    rest: tuple[str, ...]
    """The levels behind the kind: family and type, or the name of the record."""

    def of_site(self, site: str) -> bool:
        """Whether it belongs to the plant of this name."""
        return site_of(self.source) == site


def site_of(source: str) -> str:
    """The plant that a source (/site/area/line/adapter) belongs to."""
    return source.split("/", 2)[1]


class Topics:
    """All topic names below one root. `root` is one or more levels without leading or trailing slash."""

    def __init__(self, root: str) -> None:
        self.root = root
        self._known: dict[str, Address | None] = {}
        self._address = re.compile(
            rf"\A{re.escape(root)}/{VERSION}/({_NAME})/({_NAME}|_)/({_NAME}|_)/({_NAME}|_)/({_NAME})"
            r"/(event|batch|state|receipt)((?:/[a-z0-9_-]+)*)\Z",
            re.ASCII,
        )

    def event(self, source: str, station: str | None, type_name: str) -> str:
        """Topic of one event. `type_name` is family.type."""
        family, _, name = type_name.partition(".")
        return f"{self._source(source, station)}/event/{family}/{name}"

    def batch(self, source: str) -> str:
        """Topic of arrays of events of one source."""
        return f"{self._source(source, None)}/batch"

    def state(self, source: str) -> str:
        """Retained state of one source."""
        return f"{self._source(source, None)}/state/source"

    def receipt(self, source: str, record: str) -> str:
        """Retained receipts of one record for one source."""
        return f"{self._source(source, None)}/receipt/{record}"

    def edge_state(self, site: str, edge: str) -> str:
        """Retained state of an edge."""
        return f"{self.root}/{VERSION}/{site}/_/_/_/{edge}/state/edge"

    def record_state(self, site: str, record: str) -> str:
        """Retained state of a record."""
        return f"{self.root}/{VERSION}/{site}/_/_/_/{record}/state/record"

    def all_events(self) -> tuple[str, str]:
        """Filters that match every event and every batch."""
        levels = f"{self.root}/{VERSION}/+/+/+/+/+"
        return f"{levels}/event/#", f"{levels}/batch"

    def all_states(self) -> str:
        """Filter that matches every retained state."""
        return f"{self.root}/{VERSION}/+/+/+/+/+/state/#"

    def all_events_of(self, source: str) -> str:
        """Filter that matches every event of one source, whatever the station."""
        levels = self._source(source, None).split("/")
        levels[-2] = "+"
        return f"{'/'.join(levels)}/event/+/+"

    def all_receipts(self, record: str) -> str:
        """Filter that matches the receipts of one record for every source."""
        return f"{self.root}/{VERSION}/+/+/+/+/+/receipt/{record}"

    def read(self, topic: str) -> Address | None:
        """What a topic name says, None if it is none of ours."""
        if topic not in self._known:
            if len(self._known) >= _KNOWN:
                self._known.clear()
            self._known[topic] = self._read(topic)
        return self._known[topic]

    def _read(self, topic: str) -> Address | None:
        match = self._address.match(topic)
        if match is None:
            return None
        site, area, line, station, adapter, kind, rest = match.groups()
        return Address(
            source=f"/{site}/{area}/{line}/{adapter}",
            station=None if station == NONE else station,
            kind=kind,
            rest=tuple(rest.split("/")[1:]),
        )

    def _source(self, source: str, station: str | None) -> str:
        match = _SOURCE.match(source)
        if match is None:
            raise ValueError(f"{source!r} is no source: expected /site/area/line/adapter")
        site, area, line, adapter = match.groups()
        if station is not None and _STATION.match(station) is None:
            raise ValueError(f"{station!r} is no station: it would change the topic")
        return f"{self.root}/{VERSION}/{site}/{area}/{line}/{station or NONE}/{adapter}"

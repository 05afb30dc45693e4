"""Deliveries to numbered events, as the adapters and the outbox would make them. Holds what they would keep.

Files and wires are two halves that share no source, so each may work by itself.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Final, NamedTuple, Protocol

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.adapters.logs.adapter.reading import Reading, load_mapping
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.takings import Place
from broker_bridge.config import FilesAdapter, Settings, TransferAdapter
from broker_bridge.demo.appended import AppendedLog
from broker_bridge.demo.wire import Wire
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import encode_event
from broker_bridge.simulate import Delivery

_LARGEST: Final = 64 * 2**20


class Numbered(NamedTuple):
    """An event as an outbox holds it, and what a record has to know of it beside its bytes."""

    source: str
    id: str
    type: str
    time: datetime
    taken: datetime
    sequence: int
    body: bytes


class Half(Protocol):
    """One of the two."""

    def take(self, delivery: Delivery) -> list[Numbered]:
        """The events of one delivery."""
        ...

    def end(self, at: datetime) -> list[Numbered]:
        """What is still open when nothing more comes."""
        ...


class _Numbers:
    """Numbers the events of each source without gaps, in one epoch."""

    def __init__(self, epoch: int) -> None:
        self._epoch = epoch
        self._last: Counter[str] = Counter()

    def numbered(self, source: str, takings: Iterable[Taking], at: datetime) -> Iterator[Numbered]:
        for taking in takings:
            for ordinal, statement in enumerate(taking.statements):
                self._last[source] += 1
                event_id = EventId(taking.generation, taking.position, ordinal, taking.revision)
                body = encode_event(
                    event_id=event_id,
                    source=source,
                    data=statement.data,
                    time=statement.time,
                    subject=statement.subject,
                    recordedtime=at,
                    sequence=self._last[source],
                    epoch=self._epoch,
                    rawname=taking.rawname,
                )
                yield Numbered(
                    source, str(event_id), statement.data.TYPE, statement.time, at, self._last[source], body
                )


class _Source(NamedTuple):
    name: str
    mapping: Compiled
    place: Place


class Files:
    """Files that are dropped, logs that grow, and the plan of the line."""

    def __init__(self, settings: Settings, epoch: int) -> None:
        self._numbers = _Numbers(epoch)
        self._configs = [a for a in settings.adapters if isinstance(a, FilesAdapter)]
        self._sources = {
            (config.station or "").upper(): _Source(
                settings.source(config), load_mapping(config.mapping), Place(config.name, config.station)
            )
            for config in self._configs
        }
        self._logs: dict[tuple[str, str], tuple[int, AppendedLog]] = {}
        self._heads: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self._known: set[str] = set()

    def plan(self, at: datetime) -> list[Numbered]:
        """The events of what lies there before any machine has written: of the sources without a station."""
        source = self._sources[""]
        folder = next(config.folder for config in self._configs if config.station is None)
        takings = [
            taking
            for path in sorted(folder.iterdir())
            for taking in Reading(
                source.mapping, path.read_bytes(), path.name, place=source.place, modified=at
            )
        ]
        return list(self._numbers.numbered(source.name, takings, at))

    def take(self, delivery: Delivery) -> list[Numbered]:
        """The events of one delivery."""
        source = self._sources[delivery.station]
        takings = (
            self._dropped(source, delivery) if delivery.channel == "file" else self._added(source, delivery)
        )
        return list(self._numbers.numbered(source.name, takings, delivery.at))

    def end(self, at: datetime) -> list[Numbered]:
        """What is still open in the logs when nothing more comes."""
        return [
            event
            for (station, _), (_, log) in self._logs.items()
            for event in self._numbers.numbered(self._sources[station].name, log.end(), at)
        ]

    def _dropped(self, source: _Source, delivery: Delivery) -> list[Taking]:
        content = decompressed(delivery.data, _LARGEST)
        reading = Reading(source.mapping, content, delivery.name, place=source.place, modified=delivery.at)
        if reading.generation in self._known:
            return []
        self._known.add(reading.generation)
        return list(reading)

    def _added(self, source: _Source, delivery: Delivery) -> list[Taking]:
        key = delivery.station, delivery.name
        number, log = self._logs.get(key, (0, None))
        takings: list[Taking] = []
        if log is None or number != delivery.generation:
            if log is not None:
                takings = log.end()
            log = AppendedLog(source.mapping, source.place, delivery.name, self._heads[source.name])
            self._logs[key] = delivery.generation, log
        return takings + log.add(delivery.data, delivery.at)


class Wires:
    """The vertical channel of every machine."""

    def __init__(self, settings: Settings, epoch: int) -> None:
        self._numbers = _Numbers(epoch)
        self._wires: dict[str, tuple[str, Wire]] = {}
        for config in settings.adapters:
            if isinstance(config, TransferAdapter):
                source, connections = settings.source(config), _Connections()
                for machine in config.machines:
                    self._wires[machine.station.upper()] = source, Wire(config, machine, connections)

    def take(self, delivery: Delivery) -> list[Numbered]:
        """The events of one delivery."""
        source, wire = self._wires[delivery.station]
        takings = wire.take(delivery.generation, delivery.data, delivery.at)
        return list(self._numbers.numbered(source, takings, delivery.at))

    def end(self, at: datetime) -> list[Numbered]:
        """Nothing: a wire holds nothing back."""
        return []


class _Connections:
    """Names connections as the adapter's keeper does."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, at: datetime) -> str:
        self._count += 1
        return f"{self._count}-{at:%Y%m%dT%H%M%SZ}"

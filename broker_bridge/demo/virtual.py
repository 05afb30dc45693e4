"""The invented plant in virtual time: months of a line in minutes, with every fault its profile knows.

What the machines write and say goes through the same protocol and mapping cores as in a live plant and straight
into a record, without folders, sockets and broker. Intake times are those of the plant, so wrong clocks, late files
and cut connections are met as they would be. Raw files are not archived.
"""

import asyncio
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.adapters.logs.adapter.reading import Reading, load_mapping
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.adapters.logs.mapping.takings import Place
from broker_bridge.config import FilesAdapter, Settings, TransferAdapter, load
from broker_bridge.demo.appended import AppendedLog
from broker_bridge.demo.plant import MAPPINGS, mapping_text, write_plant
from broker_bridge.demo.show import Say
from broker_bridge.demo.wire import Wire
from broker_bridge.errors import UsageError
from broker_bridge.events.envelope import Event, padded
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import encode_event, schema_uri
from broker_bridge.projector.builder import catch_up
from broker_bridge.projector.schema import index_path
from broker_bridge.simulate import AREA, LINE, SITE, STATIONS, Delivery, Plant, Profile, deliveries
from broker_bridge.store.base import Arrival
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

START: Final = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
"""When a run in virtual time begins, unless it is told."""

_BATCH: Final = 2000
"""Events of a commit."""
_LARGEST: Final = 64 * 2**20
_FIRST_PORT: Final = 50_201
"""Nobody listens there: a configuration needs a port, and a line in virtual time has none."""


class Run(NamedTuple):
    """What a run left."""

    config: Path
    truth: Path
    record: Path
    events: int
    end: datetime
    """The plant's time of the last thing that was taken in."""


def record_run(
    folder: Path,
    boards: int,
    seed: int,
    profile: Profile | str,
    say: Say,
    *,
    start: datetime = START,
) -> Run:
    """Run the plant and record it in `folder`: record.db with its index, truth.jsonl, plant.toml and mappings.

    Raises UsageError where the folder holds a record already, and what `Plant` and the store raise.
    """
    plant = Plant(seed, boards, profile, start)
    folder.mkdir(parents=True, exist_ok=True)
    ports = {station: _FIRST_PORT + place for place, station in enumerate(STATIONS)}
    config = write_plant(folder, folder / "machines", ports, plant.start, timedelta(0))
    settings = load(config)
    if settings.record.path.exists():
        raise UsageError(f"{settings.record.path} is there already: name another folder")
    return asyncio.run(_record(plant, settings, config, folder / "truth.jsonl", say))


async def _record(plant: Plant, settings: Settings, config: Path, truth: Path, say: Say) -> Run:
    now = plant.start
    intake = Intake(settings, round(plant.start.timestamp() * 1000))
    store = await SqliteStore.open(
        settings.record.path, settings.record.name, now=lambda: round(now.timestamp() * 1_000_000)
    )
    events = 0
    writing: asyncio.Task[object] | None = None
    try:
        with truth.open("w", encoding="utf-8") as lines:
            batch = intake.plan(settings, plant.start)
            for delivery in deliveries(plant, lambda _, line: print(line, file=lines)):
                batch += intake.take(delivery)
                if len(batch) >= _BATCH:
                    if writing is not None:
                        await writing
                    now, events = delivery.at, events + len(batch)
                    writing, batch = asyncio.create_task(store.commit(batch)), []
                    say(f"{events:,} events, plant time {now:%Y-%m-%d %H:%M}", None)
                    await asyncio.sleep(0)
                last = delivery.at
            batch += intake.end(last)
        if writing is not None:
            await writing
        now, events = last, events + len(batch)
        await store.commit(batch)
    finally:
        await store.close()
    say("building the index", None)
    reader = SqliteReader(settings.record.path)
    try:
        catch_up(reader, index_path(settings.record.path))
    finally:
        reader.close()
    return Run(config, truth, settings.record.path, events, last)


class Intake:
    """Deliveries to events as the adapters and the outbox would make them. Holds what they would keep."""

    def __init__(self, settings: Settings, epoch: int) -> None:
        compiled: dict[str, Compiled] = {}
        self._epoch = epoch
        self._files: dict[str, tuple[str, Compiled, Place]] = {}
        for station, (_, name) in MAPPINGS.items():
            if name not in compiled:
                compiled[name] = compile_mapping(mapping_text(station), name)
            adapter = f"{station.lower()}-files"
            self._files[station] = (
                f"/{SITE}/{AREA}/{LINE}/{adapter}",
                compiled[name],
                Place(adapter, station.lower()),
            )
        self._wires: dict[str, tuple[str, Wire]] = {}
        for adapter_config in settings.adapters:
            if isinstance(adapter_config, TransferAdapter):
                source = settings.source(adapter_config)
                generation = _Connections()
                for machine in adapter_config.machines:
                    self._wires[machine.station.upper()] = (
                        source,
                        Wire(adapter_config, machine, generation),
                    )
        self._logs: dict[tuple[str, str], tuple[int, AppendedLog]] = {}
        self._heads: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self._known: set[str] = set()
        self._sequences: dict[str, int] = {}

    def plan(self, settings: Settings, at: datetime) -> list[Arrival]:
        """The events of the plan of the line, which lies there when everything begins."""
        for config in settings.adapters:
            if isinstance(config, FilesAdapter) and config.station is None:
                mapping = load_mapping(config.mapping)
                found = [
                    Reading(mapping, path.read_bytes(), path.name, place=Place(config.name), modified=at)
                    for path in sorted(config.folder.iterdir())
                ]
                takings = [taking for reading in found for taking in reading]
                return list(self._numbered(settings.source(config), takings, at))
        return []

    def take(self, delivery: Delivery) -> list[Arrival]:
        """The events of one delivery, numbered."""
        match delivery.channel:
            case "transfer":
                source, wire = self._wires[delivery.station]
                takings = wire.take(delivery.generation, delivery.data, delivery.at)
            case "file":
                source, *_ = self._files[delivery.station]
                takings = self._file(delivery)
            case "log":
                source, *_ = self._files[delivery.station]
                takings = self._log(delivery)
        return list(self._numbered(source, takings, delivery.at))

    def end(self, at: datetime) -> list[Arrival]:
        """What is left of the logs when nothing more comes."""
        arrivals: list[Arrival] = []
        for (station, _), (_, log) in self._logs.items():
            arrivals += self._numbered(self._files[station][0], log.end(), at)
        return arrivals

    def _file(self, delivery: Delivery) -> list[Taking]:
        _, mapping, place = self._files[delivery.station]
        content = decompressed(delivery.data, _LARGEST)
        reading = Reading(mapping, content, delivery.name, place=place, modified=delivery.at)
        if reading.generation in self._known:
            return []
        self._known.add(reading.generation)
        return list(reading)

    def _log(self, delivery: Delivery) -> list[Taking]:
        source, mapping, place = self._files[delivery.station]
        key = delivery.station, delivery.name
        number, log = self._logs.get(key, (0, None))
        takings: list[Taking] = []
        if log is None or number != delivery.generation:
            if log is not None:
                takings = log.end()
            log = AppendedLog(mapping, place, delivery.name, self._heads[source])
            self._logs[key] = delivery.generation, log
        return takings + log.add(delivery.data, delivery.at)

    def _numbered(self, source: str, takings: list[Taking], at: datetime) -> Iterator[Arrival]:
        for taking in takings:
            for ordinal, statement in enumerate(taking.statements):
                sequence = self._sequences[source] = self._sequences.get(source, 0) + 1
                event_id = EventId(taking.generation, taking.position, ordinal, taking.revision)
                body = encode_event(
                    event_id=event_id,
                    source=source,
                    data=statement.data,
                    time=statement.time,
                    subject=statement.subject,
                    recordedtime=at,
                    sequence=sequence,
                    epoch=self._epoch,
                    rawname=taking.rawname,
                )
                # Its data was validated when it was mapped, and its envelope is ours: nothing is left to check.
                event = Event.model_construct(
                    id=str(event_id),
                    source=source,
                    type=statement.data.TYPE,
                    time=statement.time,
                    dataschema=schema_uri(statement.data.TYPE),
                    recordedtime=at,
                    sequence=padded(sequence),
                    epoch=padded(self._epoch),
                    data=statement.data,
                )
                yield Arrival(event, body)


class _Connections:
    """Names connections as the adapter's keeper does."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, at: datetime) -> str:
        self._count += 1
        return f"{self._count}-{at:%Y%m%dT%H%M%SZ}"

"""The invented plant in virtual time: months of a line in minutes, with every fault its profile knows.

What the machines write and say goes through the same protocol and mapping cores as in a live plant and straight
into a record, without folders, sockets and broker. Intake times are those of the plant, so wrong clocks, late files
and cut connections are met as they would be. Raw files are not archived.

Two processes share the work: this one hears the wires and writes the record, a child reads the files.
"""

import asyncio
import multiprocessing
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import islice
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.config import Settings, load
from broker_bridge.demo.intake import Files, Numbered, Wires
from broker_bridge.demo.plant import write_plant
from broker_bridge.demo.show import Say
from broker_bridge.errors import BridgeError, UsageError
from broker_bridge.events.envelope import Event, padded
from broker_bridge.events.union import schema_uri
from broker_bridge.projector.builder import catch_up
from broker_bridge.projector.schema import index_path
from broker_bridge.simulate import STATIONS, Delivery, Plant, Profile, deliveries
from broker_bridge.store.base import Arrival
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

START: Final = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
"""When a run in virtual time begins, unless it is told."""

_TOGETHER: Final = 800
"""Deliveries of a commit."""
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
    every_pad: bool = False,
) -> Run:
    """Run the plant and record it in `folder`: record.db with its index, truth.jsonl, plant.toml and mappings.

    With `every_pad` the paste inspection writes every pad's values. Raises UsageError where the folder holds a record already, and what `Plant` and the store raise.
    """
    plant = Plant(seed, boards, profile, start, every_pad=every_pad)
    folder.mkdir(parents=True, exist_ok=True)
    ports = {station: _FIRST_PORT + place for place, station in enumerate(STATIONS)}
    config = write_plant(folder, folder / "machines", ports, plant.start, timedelta(0))
    settings = load(config)
    if settings.record.path.exists():
        raise UsageError(f"{settings.record.path} is there already: name another folder")
    epoch = round(plant.start.timestamp() * 1000)
    with _reader_of_files(settings, epoch, plant.start) as files:
        return asyncio.run(_record(plant, settings, epoch, config, folder / "truth.jsonl", files, say))


async def _record(
    plant: Plant, settings: Settings, epoch: int, config: Path, truth: Path, files: Connection, say: Say
) -> Run:
    now, events = plant.start, 0
    wires = Wires(settings, epoch)
    store = await SqliteStore.open(
        settings.record.path, settings.record.name, now=lambda: round(now.timestamp() * 1_000_000)
    )
    try:
        with truth.open("w", encoding="utf-8") as lines:
            heard: list[Numbered] = []
            for number, some in enumerate(
                _chunks(deliveries(plant, lambda _, line: print(line, file=lines)))
            ):
                read = _received(files) if number else []
                # Nothing is on its way back now, so the child takes this at once and reads while we write and hear.
                files.send([delivery for delivery in some if delivery.channel != "transfer"])
                events += await _commit(store, [*heard, *read], epoch)
                heard = [
                    event
                    for delivery in some
                    if delivery.channel == "transfer"
                    for event in wires.take(delivery)
                ]
                now = some[-1].at
                say(f"{events:,} events, plant time {now:%Y-%m-%d %H:%M}", None)
            read = _received(files)
            files.send(None)
            events += await _commit(store, [*heard, *read, *_received(files)], epoch)
    finally:
        await store.close()
    say("building the index", None)
    reader = SqliteReader(settings.record.path)
    try:
        catch_up(reader, index_path(settings.record.path))
    finally:
        reader.close()
    return Run(config, truth, settings.record.path, events, now)


async def _commit(store: SqliteStore, events: Sequence[Numbered], epoch: int) -> int:
    in_time = sorted(events, key=lambda event: event.taken)
    await store.commit([_arrival(event, padded(epoch)) for event in in_time])
    return len(events)


def _arrival(event: Numbered, epoch: str) -> Arrival:
    # Its data was validated when it was mapped and its envelope is ours; the store looks at nothing else of it.
    made = Event.model_construct(
        id=event.id,
        source=event.source,
        type=event.type,
        time=event.time,
        dataschema=schema_uri(event.type),
        recordedtime=event.taken,
        sequence=padded(event.sequence),
        epoch=epoch,
        data=None,  # type: ignore[arg-type]
    )
    return Arrival(made, event.body)


def _chunks(items: Iterable[Delivery]) -> Iterator[list[Delivery]]:
    source = iter(items)
    while some := list(islice(source, _TOGETHER)):
        yield some


# -- the child


@contextmanager
def _reader_of_files(settings: Settings, epoch: int, start: datetime) -> Iterator[Connection]:
    ours, theirs = multiprocessing.Pipe()
    child = multiprocessing.get_context("spawn").Process(
        target=read_files, args=(theirs, settings, epoch, start), daemon=True
    )
    child.start()
    theirs.close()
    try:
        yield ours
    finally:
        ours.close()
        child.join(timeout=5.0)
        if child.is_alive():
            child.terminate()
            child.join()


def read_files(pipe: Connection, settings: Settings, epoch: int, start: datetime) -> None:
    """Read chunks of deliveries until None comes; send the events of each, or the error that ends it."""
    last = start
    try:
        files = Files(settings, epoch)
        planned = files.plan(start)
        while (some := pipe.recv()) is not None:
            events = [*planned, *(event for delivery in some for event in files.take(delivery))]
            planned = []
            last = some[-1].at if some else last
            pipe.send(events)
        pipe.send([*planned, *files.end(last)])
    except BridgeError as error:
        pipe.send(error)
    except (EOFError, BrokenPipeError):
        pass  # the run was broken off


def _received(pipe: Connection) -> list[Numbered]:
    found = pipe.recv()
    if isinstance(found, BridgeError):
        raise found
    events: list[Numbered] = found
    return events

"""Records of the invented line with one cause of defects each, made once a session; and records told by hand.

Only what machines write into files is recorded: yields and causes need no transfers, and it takes half the time.
"""

import asyncio
import json
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from memory_store import MemoryStore
from told import recorded

from broker_bridge.config import load
from broker_bridge.demo.intake import Files, Numbered
from broker_bridge.demo.plant import write_plant
from broker_bridge.events.envelope import Event, padded
from broker_bridge.events.fact import Fact
from broker_bridge.events.union import schema_uri
from broker_bridge.queries.record import Record, open_with
from broker_bridge.simulate import STATIONS, Plant, Profile, deliveries
from broker_bridge.simulate.profile import BadNozzle, Causes, PoorReel, PrintOffset, Process, WornAperture
from broker_bridge.store.base import Arrival
from broker_bridge.store.sqlite import SqliteStore

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
QUIET = Process(defect_scale=0.2, false_calls_per_million=800.0, stops=False)
"""Few other defects, so that a few boards show a cause."""
APERTURE = WornAperture("HW-2060", "top", 3, "U1", 5, 0.013)
OFFSET = PrintOffset(30.0, -20.0, 0.3)

PRINT = Profile(process=QUIET, causes=Causes(nozzle=BadNozzle("N2", 0.08), aperture=APERTURE, offset=OFFSET))
REEL = Profile(process=QUIET, causes=Causes(reel=PoorReel("HW-R-10K", 2, 0.05)))


class Run(NamedTuple):
    """What a run left."""

    url: str
    truth: list[dict[str, Any]]


def run(folder: Path, profile: Profile | str, boards: int, *, seed: int = 3, every_pad: bool = False) -> Run:
    """A record of that profile."""
    folder.mkdir()
    plant = Plant(seed, boards, profile, START, every_pad=every_pad)
    ports = {station: 50_301 + place for place, station in enumerate(STATIONS)}  # nobody listens there
    settings = load(write_plant(folder, folder / "machines", ports, plant.start, timedelta(0)))
    files, truth = Files(settings, 1), []
    events = files.plan(START)
    for delivery in deliveries(plant, lambda _, line: truth.append(json.loads(line))):
        if delivery.channel != "transfer":
            events += files.take(delivery)
    path = folder / "record.db"
    asyncio.run(_commit(path, events + files.end(START)))
    return Run(f"sqlite:////{str(path).lstrip('/')}", truth)


async def _commit(path: Path, events: Sequence[Numbered], together: int = 2000) -> None:
    store = await SqliteStore.open(path, "record")
    try:
        for first in range(0, len(events), together):
            await store.commit([_arrival(event) for event in events[first : first + together]])
    finally:
        await store.close()


def _arrival(event: Numbered) -> Arrival:
    made = Event.model_construct(
        id=event.id, source=event.source, type=event.type, time=event.time, dataschema=schema_uri(event.type),
        recordedtime=event.taken, sequence=padded(event.sequence), epoch=padded(1), data=None,  # type: ignore[arg-type]
    )  # fmt: skip
    return Arrival(made, event.body)


def many(path: Path, facts: Iterable[Fact]) -> str:
    """The URL of a record on disk that holds thousands of facts: a store in memory looks each one up in a list."""
    import orjson

    numbered = [
        Numbered(
            fact.source, fact.id, fact.type, datetime.fromisoformat(fact.time), START, number,
            orjson.dumps({"id": fact.id, "source": fact.source, "type": fact.type, "time": fact.time, "data": fact.data}),
        )
        for number, fact in enumerate(facts, start=1)
    ]  # fmt: skip
    asyncio.run(_commit(path, numbered))
    return f"sqlite:////{str(path).lstrip('/')}"


def told_record(facts: Iterable[Fact], index: Path) -> Record:
    """A record in memory that holds these facts."""
    store = MemoryStore()
    recorded(store, list(facts))
    return open_with(store.reader, index)


Opened = Callable[[Iterable[Fact]], Record]

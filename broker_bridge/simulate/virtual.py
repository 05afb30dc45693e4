"""The drive in virtual time: every byte of a run at full speed, as a reader would have taken it in."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from broker_bridge.simulate.faults.connections import Cut
from broker_bridge.simulate.faults.files import FileStep
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.peers.messages import describe
from broker_bridge.simulate.plant import Message, Plant
from broker_bridge.simulate.stations import STATIONS


@dataclass(frozen=True, slots=True)
class Delivery:
    """Bytes at the moment a reader takes them in (`at`, UTC, true time).

    channel   file      `data` is a whole file; `name` its name in the station's folder. The same file dropped again, or
                        under another name, is delivered again
              log       `data` comes next in the growing log `name`; it may end in mid-line. `generation` counts, from 1,
                        how often the log has begun anew (rotation)
              transfer  `data` comes next on the connection to `station`, b"" is its end; `generation` counts the connections
    """

    at: datetime
    channel: Literal["file", "log", "transfer"]
    station: str
    name: str
    data: bytes
    generation: int = 0


def deliveries(plant: Plant, on_truth: Callable[[str, str], None] | None = None) -> Iterator[Delivery]:
    """Run the plant and yield its bytes in order of time, from `plant.start` on.

    A supervisor that tracks boards is connected to every station from the start, except in the outages of the profile;
    what a station says in an outage is lost, as on the wire. `on_truth(kind, line)` gets every line of truth.jsonl
    in time, without its line end.
    """
    disk = _Disk()
    connections = {station: _Connection() for station in STATIONS}
    for station in STATIONS:
        yield _connect(plant, station, connections[station], 0.0)
    down: set[str] = set()
    for item in plant:
        for station in sorted(s for s in down if connections[s].back_at <= item.at):
            down.remove(station)
            yield _connect(plant, station, connections[station], connections[station].back_at)
        match item:
            case Truth():
                if on_truth is not None:
                    for line in item.lines(plant.start, plant.speed):
                        on_truth(item.kind, line)
            case Message():
                if item.station not in down:
                    number = connections[item.station].generation
                    at = plant.moment(item.at)
                    yield Delivery(at, "transfer", item.station, item.station, item.data, number)
            case Cut():
                down.add(item.station)
                connections[item.station].back_at = item.until
                number = connections[item.station].generation
                yield Delivery(plant.moment(item.at), "transfer", item.station, item.station, b"", number)
            case FileStep():
                delivery = disk.take(item, plant)
                if delivery is not None:
                    yield delivery


@dataclass(slots=True)
class _Connection:
    generation: int = 0
    back_at: float = 0.0


def _connect(plant: Plant, station: str, connection: _Connection, at: float) -> Delivery:
    connection.generation += 1
    data = describe(plant.clocks[station].local(at), station)
    return Delivery(plant.moment(at), "transfer", station, station, data, connection.generation)


class _Disk:
    """What of the plant's disks is needed to know what a reader sees next."""

    def __init__(self) -> None:
        self._halves: dict[tuple[str, str], bytes] = {}  # files that are not whole yet
        self._generations: dict[tuple[str, str], int] = {}

    def take(self, step: FileStep, plant: Plant) -> Delivery | None:
        key = (step.station, step.name)
        at = plant.moment(step.at)
        if step.growing:
            if step.operation in ("rename", "truncate"):
                self._generations[key] = self._generations.get(key, 1) + 1
            if step.operation != "append":
                return None
            generation = self._generations.setdefault(key, 1)
            return Delivery(at, "log", step.station, step.name, step.data, generation)
        data = self._halves.pop(key, b"") + step.data
        if not step.complete:
            self._halves[key] = data
            return None
        return Delivery(at, "file", step.station, step.target or step.name, data)

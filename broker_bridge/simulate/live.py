"""The drive in real time: real files in real folders, real sockets, at the plant's speed."""

import asyncio
import shutil
from collections.abc import Iterable, Mapping
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self, TextIO

from broker_bridge.simulate.faults.connections import Cut
from broker_bridge.simulate.faults.files import FileStep
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.peers.server import StationPeer
from broker_bridge.simulate.plant import Message, Plant
from broker_bridge.simulate.stations import STATIONS

BREATHE_EVERY = 20  # things done without a pause before the sockets get their turn


class LivePlant:
    """The plant, running. Use it as an async context manager, then await `run`.

        plant = Plant(seed, boards, profile, datetime.now(UTC), speed=60)
        async with LivePlant(plant, folder / "machines", folder / "truth.jsonl") as live:
            live.ports  # station -> port of its vertical channel on 127.0.0.1
            await live.run()

    `<files>/<station in small letters>/` is where each machine writes; the folders exist once entered. Things happen at their
    moment by the wall clock, or at once if that has passed (a plant whose start is long ago runs at full speed).
    Leaving the context closes the connections; files stay.
    """

    def __init__(self, plant: Plant, files: Path, truth: Path) -> None:
        self._plant = plant
        self._files = files
        self._truth_path = truth
        self._truth: TextIO | None = None
        self._peers = {
            station: StationPeer(station, partial(self._local_now, station)) for station in STATIONS
        }
        self._away: dict[str, float] = {}  # station -> plant time from which it answers again

    @property
    def ports(self) -> Mapping[str, int]:
        """The port of each station's vertical channel."""
        return {station: peer.port for station, peer in self._peers.items()}

    @property
    def folders(self) -> Mapping[str, Path]:
        """The folder each station writes into."""
        return {station: self._files / station.lower() for station in STATIONS}

    async def wait_for_supervisors(self, stations: Iterable[str] = STATIONS) -> None:
        """Return when a supervisor that tracks boards is connected to each of `stations`: who comes later misses what was said."""
        for station in stations:
            await self._peers[station].wait_for_supervisor()

    async def __aenter__(self) -> Self:
        for folder in self.folders.values():
            folder.mkdir(parents=True, exist_ok=True)
        self._truth_path.parent.mkdir(parents=True, exist_ok=True)
        async with AsyncExitStack() as stack:
            for peer in self._peers.values():
                await peer.start()
                stack.push_async_callback(peer.close)
            self._truth = stack.enter_context(self._truth_path.open("w", encoding="utf-8"))
            self._stack = stack.pop_all()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stack.aclose()

    async def run(self) -> None:
        """Do everything that happens, each at its moment, until the last board is through."""
        for number, item in enumerate(self._plant):
            wait = (self._plant.moment(item.at) - datetime.now(UTC)).total_seconds()
            if wait > 0:
                self._flush_truth()
                await asyncio.sleep(wait)
            elif number % BREATHE_EVERY == 0:
                await asyncio.sleep(0)
            self._end_outages(item.at)
            self._do(item)
        self._flush_truth()

    def _do(self, item: FileStep | Message | Cut | Truth) -> None:
        match item:
            case FileStep():
                perform(item, self.folders[item.station])
            case Message():
                self._peers[item.station].send(item.data)
            case Cut():
                self._peers[item.station].cut()
                self._away[item.station] = item.until
            case Truth():
                assert self._truth is not None
                for line in item.lines(self._plant.start, self._plant.speed):
                    self._truth.write(line + "\n")

    def _end_outages(self, now: float) -> None:
        for station in [s for s, until in self._away.items() if until <= now]:
            del self._away[station]
            self._peers[station].restore()

    def _flush_truth(self) -> None:
        assert self._truth is not None
        self._truth.flush()

    def _local_now(self, station: str) -> datetime:
        """What the clock of a station shows now, in its local time."""
        passed = (datetime.now(UTC) - self._plant.start).total_seconds() * self._plant.speed
        return self._plant.clocks[station].local(passed)


def perform(step: FileStep, folder: Path) -> None:
    """Do one step on the disk, the way a machine does: no temporary name, no atomic replacement."""
    path = folder / step.name
    match step.operation:
        case "create":
            path.write_bytes(step.data)
        case "append":
            with path.open("ab") as file:
                file.write(step.data)
        case "rename":
            path.rename(folder / step.target)
        case "copy":
            shutil.copyfile(path, folder / step.target)
        case "truncate":
            with path.open("r+b") as file:
                file.truncate()

"""Run the invented plant and everything that records it, in one process tree."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.bootstrap import run_roles
from broker_bridge.config import Settings, load
from broker_bridge.demo.plant import write_plant
from broker_bridge.edge.survey import holdings
from broker_bridge.errors import BridgeError
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.simulate import STATIONS, LivePlant, Plant, Profile
from broker_bridge.store.sqlite_reader import SqliteReader

Say = Callable[[str], None]

_AHEAD_S: Final = 3.0
_QUIET_S: Final = 3.0
"""Nothing new for so long after the last board: everything that was written is read."""
_PATIENCE_S: Final = 120.0
_PAST: Final = timedelta(minutes=100)
"""How long the live demo's line has been running when it is first looked at."""


class Demo(NamedTuple):
    """What is asked of a demo."""

    folder: Path
    boards: int
    seed: int
    profile: Profile
    speed: float | None
    """None: the line has been running, and goes on in real time."""


def duration(boards: int, seed: int, profile: Profile) -> timedelta:
    """How long the plant takes for so many boards, in plant time."""
    last = 0.0
    for item in Plant(seed, boards, profile, datetime(2026, 1, 5, 6, 0, tzinfo=UTC)):
        last = item.at
    return timedelta(seconds=last)


@asynccontextmanager
async def running(demo: Demo, past: timedelta, say: Say) -> AsyncIterator[tuple[Settings, LivePlant]]:
    """The roles started and the machines connected; the plant stands still until its `run` is awaited.

    Without a stated speed the plant began `past` ago: it catches up at once and goes on in real time.
    """
    begin = datetime.now(UTC) + timedelta(seconds=_AHEAD_S) if demo.speed else datetime.now(UTC) - past
    plant = Plant(demo.seed, demo.boards, demo.profile, begin, speed=demo.speed or 1.0)
    demo.folder.mkdir(parents=True, exist_ok=True)
    async with LivePlant(plant, demo.folder / "machines", demo.folder / "truth.jsonl") as live:
        settings = load(write_plant(demo.folder, demo.folder / "machines", live.ports))
        roles = asyncio.create_task(run_roles(settings, settings.roles, lambda role: say(f"{role} started")))
        connected = asyncio.create_task(live.wait_for_supervisors(STATIONS))
        try:
            await asyncio.wait({roles, connected}, timeout=60, return_when=asyncio.FIRST_COMPLETED)
            if roles.done():
                await roles
            say("machines connected")
            yield settings, live
        finally:
            for task in (connected, roles):
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task


async def settle(settings: Settings, say: Say) -> None:
    """Wait until everything the machines wrote is in the record and in its index. Raises TimeoutError."""
    async with asyncio.timeout(_PATIENCE_S):
        quiet_since, before = asyncio.get_running_loop().time(), -1
        while True:
            count, waiting, indexed = await asyncio.to_thread(_levels, settings)
            say(f"{count:,} events recorded, {waiting:,} on their way")
            now = asyncio.get_running_loop().time()
            if count != before or waiting or indexed < count:
                quiet_since, before = now, count
            if now - quiet_since > _QUIET_S:
                return
            await asyncio.sleep(0.2)


def _levels(settings: Settings) -> tuple[int, int, int]:
    try:
        reader = SqliteReader(settings.record.path)
        try:
            count = reader.head().number
        finally:
            reader.close()
        index = Index(index_path(settings.record.path))
        try:
            indexed = index.cursor().number
        finally:
            index.close()
        return count, sum(holding.backlog for holding in holdings(settings.edge.outbox)), indexed
    except BridgeError:
        return 0, 0, -1


def past_of(demo: Demo, whole: bool) -> timedelta:
    """How long ago the plant began: so long that all boards are through, or that there is something to see."""
    return duration(demo.boards, demo.seed, demo.profile) + timedelta(minutes=1) if whole else _PAST

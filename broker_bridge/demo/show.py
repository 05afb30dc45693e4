"""Run the invented plant and everything that records it, in one process tree."""

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple

from broker_bridge.adapters.logs.adapter.folder import Folder
from broker_bridge.adapters.logs.adapter.ledger import SEEN, load_seen, name_of
from broker_bridge.adapters.logs.adapter.log_state import LOGS, load_log
from broker_bridge.bootstrap import run_roles
from broker_bridge.config import FilesAdapter, Settings, load
from broker_bridge.demo.plant import write_plant
from broker_bridge.edge.survey import holdings, kept
from broker_bridge.errors import BridgeError, NotFound, SourceUnavailable, StoreUnavailable
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.simulate import STATIONS, Cut, LivePlant, Message, Output, Plant, Profile, Truth
from broker_bridge.store.sqlite_reader import SqliteReader

Say = Callable[[str, float | None], None]
"""Told what is being done, and how much of it is done from 0 to 1 where that is known."""

_AHEAD: Final = timedelta(seconds=3)
_CONNECT_S: Final = 60.0
_QUIET_S: Final = 1.5
"""Nothing new for so long after the last board and file: everything that was said is in."""
_PATIENCE_S: Final = 120.0
_WINDOW_MIN: Final = 12
_BUSY: Final = 20
"""Messages a minute, in every minute of the window: somebody who looks sees something."""
_SETTLED_MIN: Final = 30
"""The first boards are on their way for so long; what is looked at before shows half a line."""


class Demo(NamedTuple):
    """What is asked of a demo."""

    folder: Path
    boards: int
    seed: int
    profile: Profile
    speed: float | None
    """Seconds of plant time in one second; None: the line has been running, is caught up with, and goes on in real
    time."""
    whole: bool
    """All boards are made and the demo is over; else it goes on until it is told to stop."""


class Plan(NamedTuple):
    """The line's run, looked at beforehand. Plant time."""

    end: timedelta
    busy: timedelta
    """From then on something happens in every minute for a while: a good moment to look at it."""


def what_runs(demo: Demo) -> Profile:
    """The profile as far as a run can show it.

    A machine whose clock was wrong hours ago cannot be caught up with: a clock is judged by the moment at which its
    message comes in. Without a stated speed all clocks are right.
    """
    return demo.profile if demo.speed is not None else replace(demo.profile, clock=())


def plan(demo: Demo) -> Plan:
    """Run the plant without doing anything, which takes a second for a thousand boards."""
    last, minutes = 0.0, Counter[int]()
    for item in Plant(demo.seed, demo.boards, what_runs(demo), datetime(2026, 1, 5, 6, 0, tzinfo=UTC)):
        last = item.at
        if isinstance(item, Message):
            minutes[int(item.at // 60)] += 1
    starts = range(min(_SETTLED_MIN, int(last // 60)), int(last // 60) + 1)
    steady = {start: min(minutes[start + n] for n in range(_WINDOW_MIN)) for start in starts}
    busy = next((start for start in starts if steady[start] >= _BUSY), max(steady, key=steady.__getitem__))
    return Plan(timedelta(seconds=last), timedelta(minutes=busy))


class Line:
    """The plant with its roles around it: everything has started, the machines stand still until `run`."""

    def __init__(self, settings: Settings, live: LivePlant, caught_up: asyncio.Event) -> None:
        self.settings = settings
        self.run = live.run
        self.caught_up = caught_up
        """Set once the plant has come to the present."""


@asynccontextmanager
async def running(demo: Demo, say: Say) -> AsyncIterator[Line]:
    """Start the roles and the machines, and wait until they are connected.

    Without a stated speed the plant began so long ago that all its boards are through (`whole`), or that the line is
    busy now. Raises the error that ends a role, whenever it does.
    """
    say(f"planning {demo.boards} boards", None)
    planned = await asyncio.to_thread(plan, demo)
    past = -_AHEAD if demo.speed else planned.end + timedelta(minutes=1) if demo.whole else planned.busy
    caught_up = asyncio.Event()
    plant = _Told(demo, datetime.now(UTC) - past, planned.end.total_seconds(), say, caught_up)
    demo.folder.mkdir(parents=True, exist_ok=True)
    try:
        async with (
            LivePlant(plant, demo.folder / "machines", demo.folder / "truth.jsonl") as live,
            asyncio.TaskGroup() as group,
        ):
            settings = load(write_plant(demo.folder, demo.folder / "machines", live.ports, plant.start, past))
            roles = group.create_task(
                run_roles(settings, settings.roles, lambda role: say(f"{role} started", None))
            )
            try:
                async with asyncio.timeout(_CONNECT_S):
                    await live.wait_for_supervisors(STATIONS)
            except TimeoutError:
                raise SourceUnavailable(
                    f"after {_CONNECT_S:.0f} s the bridge is not connected to all machines of the demo"
                ) from None
            say("machines connected", None)
            yield Line(settings, live, caught_up)
            roles.cancel()
    except* BridgeError as errors:
        raise _first(errors) from None


def _first(group: BaseExceptionGroup[BridgeError]) -> BridgeError:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    assert isinstance(error, BridgeError)
    return error


class _Told(Plant):
    """The plant, telling how far it has come. While it catches up, no connection is cut.

    What was said in an outage hours ago would be lost now, outside of the gap that is stated for now.
    """

    def __init__(self, demo: Demo, start: datetime, end: float, say: Say, caught_up: asyncio.Event) -> None:
        super().__init__(demo.seed, demo.boards, what_runs(demo), start, speed=demo.speed or 1.0)
        self._end = end
        self._say = say
        self._caught_up = caught_up

    def __iter__(self) -> Iterator[Output]:
        for item in super().__iter__():
            is_past = self.moment(item.at) < datetime.now(UTC)
            if not is_past:
                self._caught_up.set()
            if is_past and not self._caught_up.is_set() and _is_cut(item):
                continue
            self._say("machines run", item.at / self._end if self._end else 1.0)
            yield item
        self._caught_up.set()


def _is_cut(item: Output) -> bool:
    """Whether it is a cut connection, or the truth about one."""
    return isinstance(item, Cut) or (
        isinstance(item, Truth) and item.kind == "fault" and item.fields["what"] == "connection_cut"
    )


async def settle(settings: Settings, say: Say, quiet_s: float = _QUIET_S) -> None:
    """Wait until everything the machines wrote is in the record and in its index, and stays so for a while.

    Raises StoreUnavailable when that takes too long: what is there can be asked, but it may not be all.
    """
    loop = asyncio.get_running_loop()
    began = quiet_since = loop.time()
    before = -1
    while True:
        left = await asyncio.to_thread(_left, settings)
        say(f"{left.recorded:,} events recorded, {left.files:,} files and {left.waiting:,} events wait", None)
        now = loop.time()
        if left.recorded != before:
            quiet_since, before = now, left.recorded
        if (
            now - quiet_since >= quiet_s
            and left.indexed == left.recorded
            and not (left.files or left.waiting)
        ):
            return
        if now - began > _PATIENCE_S:
            raise StoreUnavailable(
                f"after {_PATIENCE_S:.0f} s {left.files:,} files are not read, and {left.waiting:,} events are on"
                f" their way to the record ({left.recorded:,} are in it, {left.indexed:,} in its index); what is there"
                " can be asked, but it is not all"
            )
        await asyncio.sleep(0.2)


class _Left(NamedTuple):
    recorded: int
    files: int
    waiting: int
    indexed: int


def _left(settings: Settings) -> _Left:
    """What is still on its way; a part that has not begun yet counts as much to come."""
    try:
        reader = SqliteReader(settings.record.path)
        try:
            recorded = reader.head().number
        finally:
            reader.close()
        index = Index(index_path(settings.record.path))
        try:
            indexed = index.cursor().number
        finally:
            index.close()
        files = sum(
            _unread(settings, adapter) for adapter in settings.adapters if isinstance(adapter, FilesAdapter)
        )
        waiting = sum(holding.backlog for holding in holdings(settings.edge.outbox))
    except (NotFound, StoreUnavailable):
        return _Left(0, 0, 0, -1)
    return _Left(recorded, files, waiting, indexed)


def _unread(settings: Settings, adapter: FilesAdapter) -> int:
    """Files in a folder that have not been dealt with as they are now."""
    source = settings.source(adapter)
    seen = kept(settings.edge.outbox, source, SEEN)
    signatures = {name_of(key): load_seen(value).signature for key, value in seen.items()}
    if adapter.pickup == "growing":
        logs = map(load_log, kept(settings.edge.outbox, source, LOGS).values())
        signatures |= {name_of(log.file): log.signature for log in logs}
    listing = Folder(adapter.folder, adapter.pattern, adapter.done_marker).list()
    return sum(signatures.get(found.name) != found.signature for found in listing.files)


class Shown(NamedTuple):
    """A board that is worth a look."""

    panel: str
    position: int


def worth_a_look(truth: Path) -> Shown:
    """A board with a defect that was confirmed, where there is one; else one that was judged, else the first.

    Raises NotFound when the plant made none.
    """
    boards: dict[str, Shown] = {}
    judged: str | None = None
    with truth.open(encoding="utf-8") as lines:
        for line in lines:
            entry = json.loads(line)
            if entry["kind"] == "board" and entry["purpose"] == "production":
                boards.setdefault(entry["board"], Shown(entry["panel"], entry["position"]))
            elif entry["kind"] == "review":
                judged = judged or entry["board"]
                if entry["real"] and entry["verdict"] == "defect":
                    return boards[entry["board"]]
    if not boards:
        raise NotFound(f"{truth}: the plant made no board")
    return boards[judged or next(iter(boards))]

"""Whatever happens to machine, network, bridge and disk: every board event is recorded once or lies in a stated gap.

The machine keeps the truth; supervisor, sockets and protocol are the real ones.
"""

import asyncio
import contextlib
from collections import Counter
from datetime import UTC, datetime

from fakes import MemorySourceWriter
from hypothesis import example, given, settings
from hypothesis import strategies as st
from transfer_machine import Happened, Machine, until
from transfer_plant import machine, supervisor

from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
from broker_bridge.config import TransferAdapter
from broker_bridge.events.source import SourceGap

BEGINNING = datetime(2000, 1, 1, tzinfo=UTC)

QUICK = {
    "keep_alive_s": 0.03,
    "answer_s": 0.15,
    "reconnect_first_s": 0.005,
    "reconnect_longest_s": 0.03,
    "zone": "UTC",
}


class Bridge:
    """The supervisor, and the outbox that outlives it."""

    def __init__(self, config: TransferAdapter, max_waiting_bytes: int = 2**20) -> None:
        self.writer = MemorySourceWriter()
        self._config = config
        self._max_waiting_bytes = max_waiting_bytes
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        adapter = SupervisorAdapter(self._config, max_waiting_bytes=self._max_waiting_bytes)
        self._task = asyncio.create_task(adapter.run(self.writer))

    async def kill(self) -> None:
        assert self._task is not None
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    def recorded(self) -> Counter[tuple[str, str]]:
        """How often each board event is recorded: its type, the transfer id."""
        return Counter(
            (statement.data.TYPE, statement.data.boards[0].identifiers[0].value)
            for taking in self.writer.takings
            for statement in taking.statements
            if statement.data.TYPE in ("board.arrived", "board.departed")
        )

    def gaps(self) -> list[SourceGap]:
        """The gaps as a reader of the record sees them: of each raw record the highest revision."""
        found: dict[tuple[str, int], tuple[int, SourceGap]] = {}
        for taking in self.writer.takings:
            for statement in taking.statements:
                if isinstance(statement.data, SourceGap):
                    key = (taking.generation, taking.position)
                    found[key] = max(
                        found.get(key, (0, statement.data)), (taking.revision, statement.data), key=_first
                    )
        return [gap for _, gap in found.values()]


def _first(pair: tuple[int, SourceGap]) -> int:
    return pair[0]


def holds(gap: SourceGap, event: Happened) -> bool:
    return (gap.start or BEGINNING) <= event.time and (gap.end is None or event.time <= gap.end)


async def act(action: str, peer: Machine, bridge: Bridge) -> None:
    writer = bridge.writer
    match action:
        case "arrive":
            peer.board()
        case "depart":
            peer.board(arrived=False, lane=2)
        case "burst":
            bodies = [peer.happen(arrived=n % 2 == 0)[1] for n in range(5)]
            peer.say(*bodies)
        case "cut":
            peer.cut()
        case "cut inside a message":
            _, body = peer.happen()
            peer.finish(peer.envelope(body)[:150])
        case "say and hang up":
            peer.finish(peer.envelope(peer.happen()[1]))
        case "garble":
            peer.send(b"<Hermes><BoardArrived</Hermes>")
        case "refuse":
            peer.refusing = True
        case "accept":
            peer.refusing = False
        case "freeze":
            peer.freeze()
        case "thaw":
            peer.thaw()
        case "restart":
            await bridge.kill()
            bridge.start()
        case "fill":
            writer.ceiling = 0
        case "empty":
            writer.ceiling = None
        case "break":
            writer.broken = 2
        case "breathe":
            await asyncio.sleep(0)
        case "settle":
            if not peer.frozen and not peer.refusing:
                await until(lambda: peer.supervisors)
        case "wait":
            kept, connections = writer.transactions, peer.connections
            with contextlib.suppress(TimeoutError):
                await until(lambda: (writer.transactions, peer.connections) != (kept, connections), 0.1)


ACTIONS = (
    "arrive", "depart", "burst", "cut", "cut inside a message", "say and hang up", "garble", "refuse", "accept",
    "freeze", "thaw", "restart", "fill", "empty", "break", "breathe", "settle", "wait",
)  # fmt: skip


async def play(actions: list[str], features: tuple[str, ...], max_waiting_bytes: int = 2**20) -> None:
    peer = Machine(features=features)
    await peer.start()
    bridge = Bridge(supervisor(machine(port=peer.port), **QUICK), max_waiting_bytes)
    bridge.start()
    try:
        # A machine that was never heard is owed nothing.
        await until(lambda: bridge.writer.counters.get("source_connected"))
        for action in actions:
            await act(action, peer, bridge)
        peer.thaw()
        peer.refusing = False
        bridge.writer.ceiling, bridge.writer.broken = None, 0
        over = len(peer.truth)
        await until(lambda: _newer_is_recorded(peer, bridge, over))
        await until(lambda: all(gap.end for gap in bridge.gaps()))
        judge(peer, bridge)
    finally:
        await bridge.kill()
        await peer.stop()


def _newer_is_recorded(peer: Machine, bridge: Bridge, over: int) -> bool:
    recorded = bridge.recorded()
    if any((event.type, event.board) in recorded for event in peer.truth[over:]):
        return True
    peer.board()
    return False


def judge(peer: Machine, bridge: Bridge) -> None:
    recorded, gaps = bridge.recorded(), bridge.gaps()
    truth = {(event.type, event.board): event for event in peer.truth}
    for key, times in recorded.items():
        assert key in truth, f"{key} never happened"
        assert times == 1, f"{key} is recorded {times} times"
    # What was said last may still be on its way.
    newest = max(place for place, event in enumerate(peer.truth) if (event.type, event.board) in recorded)
    for event in peer.truth[: newest + 1]:
        if (event.type, event.board) not in recorded:
            assert any(holds(gap, event) for gap in gaps), f"{event} is neither recorded nor in a gap: {gaps}"
    assert all(gap.start for gap in gaps), f"a gap without beginning, though no clock was set: {gaps}"
    keys = [(taking.generation, taking.position, taking.revision) for taking in bridge.writer.takings]
    assert len(set(keys)) == len(keys)


@settings(max_examples=30)
@given(
    actions=st.lists(st.sampled_from(ACTIONS), max_size=14),
    features=st.sampled_from(
        [("FeatureBoardTracking", "FeatureCheckAliveResponse"), ("FeatureBoardTracking",)]
    ),
)
@example(
    ["arrive", "wait", "freeze", "burst", "wait", "wait", "thaw", "arrive"],
    ("FeatureBoardTracking", "FeatureCheckAliveResponse"),
)
@example(["arrive", "fill", "burst", "wait", "restart", "arrive", "empty"], ("FeatureBoardTracking",))
@example(
    ["fill", "arrive", "wait", "cut", "arrive", "settle", "arrive", "wait", "empty", "arrive"],
    ("FeatureBoardTracking",),
)
@example(["burst", "restart", "burst", "settle", "burst", "restart", "depart"], ("FeatureBoardTracking",))
def test_every_event_is_recorded_once_or_lies_in_a_gap(actions, features):
    asyncio.run(play(actions, features))


@settings(max_examples=12)
@given(
    actions=st.lists(
        st.sampled_from(("burst", "burst", "break", "wait", "cut", "settle", "restart")), max_size=10
    )
)
def test_what_finds_no_room_while_the_disk_is_away_lies_in_a_gap(actions):
    asyncio.run(play(["settle", "break", *actions], ("FeatureBoardTracking",), max_waiting_bytes=8000))

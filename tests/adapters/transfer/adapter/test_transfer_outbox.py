"""Supervisor and outbox together: a killed edge, and one whose record takes nothing."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from transfer_machine import Machine, until
from transfer_plant import machine, supervisor

from broker_bridge.adapters.transfer.adapter import SupervisorAdapter
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.events.envelope import Event
from broker_bridge.events.union import parse_event

SOURCE = "/harbour-works/smt/line-1/transfer"


@contextlib.asynccontextmanager
async def edge(folder: Path, peer: Machine, ceiling: int = 10**9) -> AsyncIterator[Outbox]:
    """One life of an edge; it ends as if killed, with whatever is on disk by then."""
    config = supervisor(
        machine(port=peer.port), zone="UTC", reconnect_first_s=0.005, reconnect_longest_s=0.05
    )
    outbox = await Outbox.open(
        folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=ceiling
    )
    task = asyncio.create_task(SupervisorAdapter(config).run(await outbox.writer(SOURCE)))
    try:
        await until(lambda: peer.supervisors)
        yield outbox
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await outbox.close()


def count(outbox: Outbox, name: str) -> int:
    return outbox.condition(SOURCE)[2].get(name, 0)


async def events(outbox: Outbox) -> list[Event]:
    return [parse_event(held.body) for held in await outbox.held(SOURCE, 1, 10_000, 10_000)]


def test_what_happens_while_the_edge_is_dead_lies_in_a_gap(tmp_path):
    async def play() -> None:
        peer = Machine()
        await peer.start()
        async with edge(tmp_path, peer) as outbox:
            peer.board()
            await until(lambda: count(outbox, "board_arrived"))
        await until(lambda: not peer.supervisors)
        lost = peer.board()
        async with edge(tmp_path, peer) as outbox:
            peer.board()
            await until(lambda: count(outbox, "board_arrived"))
            told = await events(outbox)
        await peer.stop()
        assert [event.type for event in told] == [
            "source.connected",
            "board.arrived",
            "source.disconnected",
            "source.gap",
            "source.gap",
            "source.connected",
            "board.arrived",
        ]
        opened, closed = (event for event in told if event.type == "source.gap")
        assert (opened.id.removesuffix(".1"), opened.data.end) == (closed.id.removesuffix(".2"), None)
        assert closed.data.start <= lost.time <= closed.data.end
        assert len({event.id for event in told}) == len(told)

    asyncio.run(play())


def test_an_outbox_whose_record_takes_nothing_still_states_the_gap(tmp_path):
    async def play() -> None:
        peer = Machine()
        await peer.start()
        async with edge(tmp_path, peer, ceiling=5000) as outbox:
            while not count(outbox, "messages_lost"):
                lost = peer.board()
                kept = count(outbox, "board_arrived")
                await until(
                    lambda kept=kept: count(outbox, "board_arrived") > kept or count(outbox, "messages_lost")
                )
            peer.cut()  # that it is away is said as well
            await until(lambda: count(outbox, "source_connected") == 2)
            await outbox.receipt(SOURCE, outbox.level(SOURCE).last, 1)
            await until(lambda: peer.supervisors)
            before = count(outbox, "board_arrived")
            peer.board()
            await until(lambda: count(outbox, "board_arrived") > before)
            told = await events(outbox)
        await peer.stop()
        gaps = [event.data for event in told if event.type == "source.gap"]
        assert {gap.cause for gap in gaps} == {"outbox_full"}
        assert gaps[-1].start <= lost.time <= gaps[-1].end
        assert [event.type for event in told].count("source.disconnected") == 1

    asyncio.run(play())

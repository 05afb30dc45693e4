"""Send a record out as CFX over RabbitMQ and take it in again, the broker killed and the reader stopped meanwhile.

    python tools/campaign/cfx.py --messages 20000 --kills 2

Everything is real: the record and the outlet's courier on one side, a RabbitMQ of its own between, the adapter and an outbox
on the other. In the end every event must have come through, once. Exit code 1 otherwise.
"""

import argparse
import asyncio
import contextlib
import json
import logging
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests"))

from contracts.arrivals import run_of
from contracts.outlet_contract import ALL
from rabbit import Rabbit

from broker_bridge.adapters.cfx.adapter import CfxMachines
from broker_bridge.config import CfxAdapter, CfxOutlet
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import NotFound
from broker_bridge.outlets.cfx import CfxPlant
from broker_bridge.outlets.courier import Courier
from broker_bridge.outlets.cursor import Cursor, letters, standing
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

SOURCE: Final = "/harbour/smt/line-1/cfx"


@contextlib.asynccontextmanager
async def sending(folder: Path, rabbit: Rabbit) -> AsyncIterator[None]:
    """The outlet at work."""
    outlet = CfxPlant(
        CfxOutlet.model_validate(
            {
                "kind": "cfx", "name": "mes", "broker": {"url": rabbit.url}, "address": "/exchange/plant",
                "proof": "/amq/queue/unrouted", "heartbeat_s": 5.0,
            }
        )
    )  # fmt: skip
    reader = SqliteReader(folder / "record.db")
    cursor = await Cursor.open(folder / "position.db")
    task = asyncio.create_task(Courier("mes", outlet, cursor, reader, ALL, poll_s=0.05).run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])
        await cursor.close()
        reader.close()


@contextlib.asynccontextmanager
async def hearing(outbox: Outbox, rabbit: Rabbit) -> AsyncIterator[None]:
    """The adapter at work."""
    config = CfxAdapter.model_validate(
        {
            "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "broker": {"url": rabbit.url},
            "address": "/amq/queue/plant-system",
            "machines": [{"handle": "BrokerBridge.line-1.printer-1", "station": "printer-1"}],
        }
    )  # fmt: skip
    task = asyncio.create_task(CfxMachines(config).run(await outbox.writer(SOURCE)))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])


async def arrived(outbox: Outbox) -> list[tuple[str, str]]:
    """Id and board of every arrival in the outbox."""
    found: list[tuple[str, str]] = []
    first = 1
    while held := await outbox.held(SOURCE, first, 2**39, 5000):
        for one in held:
            event = json.loads(one.body)
            if event["type"] == "board.arrived":
                found.append((event["id"], event["subject"]))
        first = held[-1].sequence + 1
    return found


async def campaign(folder: Path, messages: int, kills: int, seed: int) -> int:
    """Run it; the number of faults."""
    chance = random.Random(seed)
    store = await SqliteStore.open(folder / "record.db", "plant")
    try:
        for first in range(1, messages + 1, 500):
            await store.commit(run_of(first, min(messages, first + 499)))
    finally:
        await store.close()
    rabbit = Rabbit(folder / "rabbit")
    outbox = await Outbox.open(folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=2**32)
    began = time.monotonic()
    down = 0.0
    try:
        rabbit.start()
        began = time.monotonic()
        marks = [messages * (place + 1) // (kills + 1) for place in range(kills)]
        async with sending(folder, rabbit):
            for mark in [*marks, messages]:
                async with hearing(outbox, rabbit):
                    await passed(folder, mark)
                    if mark < messages:
                        since = time.monotonic()
                        await asyncio.sleep(chance.random())
                        await asyncio.to_thread(rabbit.kill)
                        print(f"killed the broker at {standing_at(folder):,}", flush=True)
                        await asyncio.sleep(chance.random())
                        await asyncio.to_thread(rabbit.start)
                        down += time.monotonic() - since
                    else:
                        await quiet(outbox, messages)
        took = time.monotonic() - began
        return judge(await arrived(outbox), folder, messages, took, down)
    finally:
        await outbox.close()
        rabbit.close()


async def passed(folder: Path, number: int) -> None:
    """Wait until the outlet stands there."""
    while standing_at(folder) < number:  # noqa: ASYNC110
        await asyncio.sleep(0.1)


def standing_at(folder: Path) -> int:
    """Where the outlet stands; 0 before it has met the record."""
    with contextlib.suppress(NotFound):
        return standing(folder / "position.db").number
    return 0


async def quiet(outbox: Outbox, messages: int) -> None:
    """Wait until everything came, or nothing has come for a while."""
    last, since = -1, time.monotonic()
    while time.monotonic() - since < 30.0:
        level = outbox.level(SOURCE).last
        if level != last:
            last, since = level, time.monotonic()
        _, _, counters = outbox.condition(SOURCE)
        if counters.get("board_arrived", 0) >= messages and time.monotonic() - since > 3.0:
            return
        await asyncio.sleep(0.2)


def judge(found: Sequence[tuple[str, str]], folder: Path, messages: int, took: float, down: float) -> int:
    """Say what was lost and what was doubled; the number of faults."""
    ids = Counter(event for event, _ in found)
    boards = Counter(board for _, board in found)
    wanted = {f"HW-{number:04}" for number in range(1, messages + 1)}
    lost = wanted - set(boards)
    doubled = [board for board, times in boards.items() if times > 1]
    strangers = set(boards) - wanted
    dead = letters(folder / "position.db")
    print(
        f"{messages:,} messages out and in, {took:.1f} s of which the broker was away {down:.1f} s:"
        f" {messages / (took - down):,.0f} a second; in the outbox {len(found):,} events of {len(ids):,} ids;"
        f" lost {len(lost)}, doubled {len(doubled)}, strange {len(strangers)}, dead letters {len(dead)}"
    )
    return len(lost) + len(doubled) + len(strangers) + len(dead)


def main() -> int:
    """The program."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--kills", type=int, default=2)
    parser.add_argument("--seed", type=int, default=int(datetime.now(UTC).timestamp()))
    chosen = parser.parse_args()
    logging.basicConfig(level=logging.ERROR)
    with tempfile.TemporaryDirectory() as folder:
        print(f"seed {chosen.seed}", flush=True)
        return 1 if asyncio.run(campaign(Path(folder), chosen.messages, chosen.kills, chosen.seed)) else 0


if __name__ == "__main__":
    sys.exit(main())

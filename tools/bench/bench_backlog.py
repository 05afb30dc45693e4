"""Two hours of outage made up for: an outbox of 1.44 million events, and a recorder that comes back.

    python tools/bench/bench_backlog.py                      # 1,440,000 events: two hours at 200 a second
    python tools/bench/bench_backlog.py --events 100000 --broker mosquitto

In one run on one machine: an edge that sends one event a message (its arrays are held back), for the rate to compare
with, before and after, as machines change their speed; an outbox filled while nobody listens; then edge and recorder through the broker until the edge has its receipt
for the last event. Each role is a process of its own, whose resident memory is sampled every second. Aims: every
event recorded once, caught up at 2.5 times the one-event rate at least, and memory of edge and recorder flat: in the
last three quarters not above 1.2 times what it was in the first one. The broker's, which is not ours, is told. Exit code 1 where an aim is missed.
"""

import argparse
import asyncio
import itertools
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from bench_recorder import Child, embedded, mosquitto

AIM_FASTER, AIM_GROWTH = 2.5, 1.2
SOURCES = tuple(f"/harbour-works/smt/line-1/{name}" for name in ("print", "spi", "place", "aoi"))
CHUNK = 500
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


async def fill(folder: Path, events: int) -> None:
    """An outbox with so many events of four sources, as adapters leave them."""
    from broker_bridge.adapters.base import Statement, Taking
    from broker_bridge.edge.archive import Archive
    from broker_bridge.edge.outbox import Outbox
    from broker_bridge.events.base import Board, Identifier, Origin
    from broker_bridge.events.board import BoardArrived

    def takings(source: str) -> Iterator[Taking]:
        adapter = source.rpartition("/")[2]
        origin = Origin(adapter=adapter, time_text="2026-03-02 12:00:00", time_means="end")
        for number in range(events // len(SOURCES)):
            name = f"HW-{number:06}"
            board = Board(unit="board", identifiers=(Identifier(kind="board", value=name, how="read"),))
            data = BoardArrived(how="transferred", station=adapter, lane=1, boards=(board,), origin=origin)
            yield Taking("f" * 43, number * 80, 1, (Statement(data, NOON + timedelta(seconds=number), name),))

    outbox = await Outbox.open(folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=2**34)
    writers = [(await outbox.writer(source), takings(source)) for source in SOURCES]
    while writers:
        for one in list(writers):
            writer, waiting = one
            if chunk := list(itertools.islice(waiting, CHUNK)):
                await writer.take(chunk)
            else:
                writers.remove(one)
    await outbox.close()


async def edge(host: str, port: int, folder: Path, single: bool) -> None:
    """Send until the record has receipted everything."""
    from broker_bridge.bus.mqtt import Client
    from broker_bridge.bus.topics import Topics
    from broker_bridge.edge import forwarder
    from broker_bridge.edge.archive import Archive
    from broker_bridge.edge.outbox import Outbox

    if single:
        forwarder.BATCH_FROM = sys.maxsize  # type: ignore[misc]
    topics = Topics(folder.name)  # else retained receipts of the other run would be heard
    outbox = await Outbox.open(folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=2**34)
    filters = forwarder.receipt_filters(topics, SOURCES, "bench")
    async with Client(host=host, port=port, client_id=f"edge-{folder.name}", filters=filters) as client:
        sending = forwarder.Forwarder(
            outbox, client, topics, site="harbour-works", edge="edge", record="bench", keep=timedelta(days=7)
        )
        task = asyncio.create_task(sending.run())
        await client.wait_connected()
        print("READY", flush=True)
        while any(outbox.level(source).backlog for source in SOURCES):  # noqa: ASYNC110  (receipts come when they come)
            await asyncio.sleep(0.1)
        print("DONE", flush=True)
        task.cancel()
        await asyncio.wait({task})
    await outbox.close()


async def record(host: str, port: int, folder: Path) -> None:
    """The recorder, until its input is closed."""
    from broker_bridge.bus.mqtt import Client
    from broker_bridge.bus.topics import Topics
    from broker_bridge.recorder.recorder import Recorder, filters
    from broker_bridge.store.sqlite import SqliteStore

    topics = Topics(folder.name)  # else retained receipts of the other run would be heard
    store = await SqliteStore.open(folder / "record.db", "bench")
    async with Client(
        host=host, port=port, client_id=f"recorder-{folder.name}", filters=filters(topics)
    ) as client:
        task = asyncio.create_task(Recorder(client, store, topics, site="harbour-works").run())
        await client.wait_connected()
        print("READY", flush=True)
        await asyncio.to_thread(sys.stdin.readline)
        task.cancel()
        await asyncio.wait({task})
    await store.close()


def resident_mb(process: int) -> float:
    """Resident memory of a process."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def caught_up(
    host: str, port: int, folder: Path, single: bool, broker: int | None
) -> tuple[float, dict[str, list[float]]]:
    """Seconds until the last receipt, and the samples of memory by role."""
    recorder = Child("record", host, port, folder)
    recorder.wait_for("READY")
    sender = Child("edge", host, port, folder, "single" if single else "arrays")
    sender.wait_for("READY")
    begun = time.perf_counter()  # the start of a process is not the rate of events
    roles = {"edge": sender.process.pid, "recorder": recorder.process.pid} | (
        {"broker": broker} if broker else {}
    )
    samples: dict[str, list[float]] = {role: [] for role in roles}
    os.set_blocking(sender.process.stdout.fileno(), False)  # type: ignore[union-attr]
    while not (said := sender.process.stdout.read()) or b"DONE" not in said:  # type: ignore[union-attr]
        if sender.process.poll() is not None or recorder.process.poll() is not None:
            raise SystemExit("bench: a role ended before everything was receipted")
        for role, process in roles.items():
            samples[role].append(resident_mb(process))
        time.sleep(1.0 if not single else 0.2)
    taken = time.perf_counter() - begun
    for child in (sender, recorder):
        child.end()
    return taken, samples


def missing(folder: Path, events: int) -> list[str]:
    """What the record has not exactly as it was given."""
    from broker_bridge.store.sqlite_reader import SqliteReader

    reader = SqliteReader(folder / "record.db")
    wrong = []
    if (held := reader.head().number) != events:
        wrong.append(f"{held:,} events recorded, {events:,} given")
    for source in reader.progress():
        if source.contiguous != events // len(SOURCES) or source.above or source.missing():
            wrong.append(f"{source.source}: {source.contiguous:,} contiguous, missing {source.missing()[:3]}")
    if reader.conflicts() or reader.refusals() or reader.reused():
        wrong.append("conflicts, refusals or numbers given twice")
    reader.close()
    return wrong


def growth(samples: list[float]) -> float:
    """The most in the last three quarters over the most in the first one."""
    cut = max(1, len(samples) // 4)
    return max(samples[cut:], default=0.0) / max(samples[:cut], default=1.0)


def broker_process(folder: Path) -> int | None:
    """Process id of the embedded broker."""
    try:
        found = json.loads((folder / "broker" / "broker.json").read_text())["server_pid"]
    except OSError:
        return None
    return int(found) if found else None


def main() -> int:
    """Print the table; exit code 1 where an aim is missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--events", type=int, default=1_440_000)
    parser.add_argument("--single", type=int, default=60_000, help="events of the one-event rate")
    parser.add_argument("--broker", choices=("embedded", "mosquitto"), default="embedded")
    parser.add_argument("--folder", type=Path, help="where the databases lie: the disk matters")
    args = parser.parse_args()
    good = True
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        base = Path(name)
        with {"embedded": embedded, "mosquitto": mosquitto}[args.broker](base) as (host, port):
            rates = {}
            for what, events in (
                ("single", args.single),
                ("backlog", args.events),
                ("single again", args.single),
            ):
                folder = base / what.replace(" ", "-")
                folder.mkdir()
                events -= events % len(SOURCES)
                begun = time.perf_counter()
                asyncio.run(fill(folder, events))
                filled = time.perf_counter() - begun
                size = sum(path.stat().st_size for path in folder.glob("outbox.db*")) / 2**20
                taken, samples = caught_up(host, port, folder, what != "backlog", broker_process(base))
                rates[what] = events / taken
                wrong = missing(folder, events)
                print(
                    f"{what}: {events:,} events into the outbox at {events / filled:,.0f}/s ({size:,.0f} MB), recorded and"
                    f" receipted in {taken:,.0f} s, {rates[what]:,.0f}/s; {'; '.join(wrong) or 'all there, each once'}",
                    flush=True,
                )
                good = good and not wrong
                if what == "backlog":
                    for role, found in samples.items():
                        flat = growth(found)
                        good = good and (role == "broker" or flat <= AIM_GROWTH)
                        quarters = [
                            max(found[at : at + max(1, len(found) // 4)])
                            for at in range(0, len(found), max(1, len(found) // 4))
                        ]
                        told = ", ".join(f"{most:.0f}" for most in quarters[:4])
                        print(
                            f"{role}: most memory by quarter {told} MB; {flat:.2f} of the first (aim {AIM_GROWTH})"
                        )
    faster = 2 * rates["backlog"] / (rates["single"] + rates["single again"])
    print(
        f"backlog against one event a message: {faster:.2f} (aim {AIM_FASTER}); load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )
    return 0 if good and faster >= AIM_FASTER else 1


if __name__ == "__main__":
    from broker_bridge.garbage import spare_models

    match sys.argv[1:]:
        case ["edge", host, port, folder, how]:
            import broker_bridge.edge.forwarder
            import broker_bridge.events.union

            spare_models()
            asyncio.run(edge(host, int(port), Path(folder), how == "single"))
        case ["record", host, port, folder]:
            import broker_bridge.recorder.recorder  # noqa: F401  (what is imported now the collector need not walk)

            spare_models()
            asyncio.run(record(host, int(port), Path(folder)))
        case _:
            sys.exit(main())

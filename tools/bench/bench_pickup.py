"""What picking files up costs: many files that wait, a folder in which nothing happens, a log of hundreds of megabytes.

    tools/bench/bench_pickup.py --files 100000 --megabytes 300

Each measurement runs in a process of its own with a real outbox. The log is read against a ceiling that it exceeds
many times, while a record that is slower than the reader takes the events away.
"""

import argparse
import asyncio
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.config import FilesAdapter
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox

MAPPING: Final = """
name = "rows"
revision = 1
zone = "UTC"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"

[[reader.records]]
kind = "row"
columns = ["Time", "Code", "Result", "Remark"]

[fields.row]
time = { column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end" }
code = "Code"
outcome = { column = "Result", table = "outcomes" }

[tables.outcomes]
values = { OK = "passed" }
otherwise = "reject"

[[event]]
type = "inspection.completed"
each = "row"
time = "$time"

[event.data]
method = "optical"
outcome = "$outcome"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]
"""
SOURCE: Final = "/harbour-works/smt/line-1/bench"
CEILING: Final = 2 * 2**20


def line(number: int, width: int = 0) -> str:
    """One record."""
    return f"2026-03-02 06:00:00;B{number:09};OK;{'x' * width}\n"


@asynccontextmanager
async def running(folder: Path, **stated: Any) -> AsyncIterator[Outbox]:
    """An outbox and an adapter that fills it."""
    (folder / "mapping.toml").write_text(MAPPING)
    fixed = {"kind": "files", "name": "bench", "area": "smt", "line": "line-1", "station": "oven"}
    paths = {"folder": folder / "files", "mapping": folder / "mapping.toml"}
    outbox = await Outbox.open(
        folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=CEILING
    )
    writer = await outbox.writer(SOURCE)
    task = asyncio.create_task(FolderAdapter(FilesAdapter.model_validate(fixed | paths | stated)).run(writer))
    try:
        yield outbox
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await outbox.close()


async def until(condition: Callable[[], object], seconds: float) -> float:
    """Wait for a condition; returns the seconds it took."""
    begun = time.perf_counter()
    while not condition():
        if time.perf_counter() - begun > seconds:
            raise TimeoutError(f"waited {seconds:.0f} s in vain")
        await asyncio.sleep(0.01)
    return time.perf_counter() - begun


async def many(folder: Path, files: int) -> dict[str, float]:
    """Seconds to the first event with so many files waiting."""
    for number in range(files):
        (folder / "files" / f"{number:07}.csv").write_text(line(number))
    cpu = time.process_time()
    async with running(folder) as outbox:
        seconds = await until(lambda: outbox.level(SOURCE).last, 120)
        return {"first event, s": seconds, "of them computing": time.process_time() - cpu}


async def idle(folder: Path, files: int, pickup: str) -> dict[str, float]:
    """Share of a core while so many files lie there and nothing happens, and the memory it takes."""
    for number in range(files):
        (folder / "files" / f"{number:07}.csv").write_text(line(number))
    async with running(folder, start="end", pickup=pickup) as outbox:
        await until(lambda: outbox.condition(SOURCE)[0] == "idle", 600)
        await asyncio.sleep(3)
        cpu, begun = time.process_time(), time.perf_counter()
        await asyncio.sleep(120)  # the pause between two looks is a multiple of what a look costs
        share = (time.process_time() - cpu) / (time.perf_counter() - begun)
    return {"of a core, %": share * 100, "peak MB": peak()}


async def large(folder: Path, megabytes: float) -> dict[str, float]:
    """Memory and speed over one large log with the ceiling active, and what going on after a restart takes."""
    width = 900
    records = int(megabytes * 2**20 / len(line(0, width)))
    log = folder / "files" / "a.log"
    with log.open("w") as out:
        for number in range(records):
            out.write(line(number, width))
    before, waits = peak(), 0

    async def take_away(outbox: Outbox) -> None:
        """A record that has everything there is, now and then."""
        nonlocal waits
        while True:
            await asyncio.sleep(4.0)
            waits += outbox.condition(SOURCE)[0] == "waiting"
            await outbox.receipt(SOURCE, outbox.level(SOURCE).last, 1)
            await outbox.trim(timedelta(0))

    async with running(folder, pickup="growing", poll_s=0.05) as outbox:
        receipts = asyncio.create_task(take_away(outbox))
        seconds = await until(lambda: outbox.level(SOURCE).last >= records, 3600)
        receipts.cancel()
        await asyncio.gather(receipts, return_exceptions=True)
    async with running(folder, pickup="growing", poll_s=0.05) as outbox:
        await until(lambda: outbox.condition(SOURCE)[0] == "idle", 600)
        with log.open("a") as out:
            out.write(line(records, width))
        again = await until(lambda: outbox.level(SOURCE).last > records, 600)
    return {
        "records": records, "records/s": records / seconds, "ceiling met": waits,
        "peak MB": peak(), "of them before": before, "going on after a restart, s": again,
    }  # fmt: skip


def peak() -> float:
    """The most memory this process has had, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measured(what: str, number: float) -> dict[str, float]:
    """One measurement in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--only", what, str(number)], check=True, capture_output=True, text=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def only(what: str, number: float) -> dict[str, float]:
    """Run one measurement here."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "files").mkdir()
        match what:
            case "many":
                work = many(folder, int(number))
            case "idle-drop":
                work = idle(folder, int(number), "drop")
            case "idle-growing":
                work = idle(folder, int(number), "growing")
            case "large":
                work = large(folder, number)
            case _:
                raise SystemExit(f"{what!r} is no measurement")
        return asyncio.run(work)


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--megabytes", type=float, default=300)
    parser.add_argument("--only", nargs=2, metavar=("WHAT", "NUMBER"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        print(json.dumps(only(args.only[0], float(args.only[1]))))
        return 0
    for what, number in (
        ("many", args.files),
        ("idle-drop", args.files),
        ("idle-growing", args.files // 100),
        ("large", args.megabytes),
    ):
        told = ", ".join(f"{name} {value:,.1f}" for name, value in measured(what, number).items())
        print(f"{what:<14}{number:>10,.0f}   {told}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

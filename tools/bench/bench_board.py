"""How long a person waits for `board` on a large record, and how fast the index is made.

A record of an invented line is written straight through the store: panels of four boards run through ten
stations, a few hundred at a time, told by transfer messages and result files. Then, on this machine and in this
run: the rate at which the index is made (beside the floor: the same facts only read and decoded), and the time
of `board ID` from the command line (beside the floor: the bare interpreter).

    tools/bench/bench_board.py                     # a million events
    tools/bench/bench_board.py --events 100000
    tools/bench/bench_board.py --keep DIR          # leave the record there, use it again next time
"""

import argparse
import asyncio
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import orjson  # noqa: E402

from broker_bridge.events.ids import EventId  # noqa: E402
from broker_bridge.events.union import parse_event, schema_uri  # noqa: E402
from broker_bridge.projector.builder import catch_up  # noqa: E402
from broker_bridge.projector.schema import index_path  # noqa: E402
from broker_bridge.store.base import Arrival  # noqa: E402
from broker_bridge.store.sqlite import SqliteStore  # noqa: E402
from broker_bridge.store.sqlite_reader import SqliteReader  # noqa: E402

LINE = "/harbour-works/smt/line-1"
STATIONS = ("load", "print", "spi", "jet", "place-1", "place-2", "place-3", "oven", "aoi", "unload")
PANEL = 4
IN_LINE = 40
"""Panels on the line at a time: so far apart lie the events of one board in the record."""
TAKT = timedelta(seconds=30)
BATCH = 500


def panel_events(number: int) -> Iterator[tuple[timedelta, str, str, str, dict[str, Any]]]:
    """The events of one panel: time since its start, source, type, station, data."""
    panel = f"PNL-{number:07}"
    boards = [f"HW-{number * PANEL + place:08}" for place in range(PANEL)]
    whole = [
        {
            "unit": "panel",
            "identifiers": [_id("panel", panel, "read"), _id("transfer", f"t-{number}", "passed_on")],
        }
    ]
    moving = [{"unit": "unknown", "identifiers": [_id("transfer", f"t-{number}", "passed_on")]}]
    for step, station in enumerate(STATIONS):
        came = timedelta(seconds=60 * step)
        yield came, "transfer", "board.arrived", station, {"how": "transferred", "lane": 1, "boards": moving}
        if station in ("load", "print", "place-1", "place-2", "place-3"):
            yield (
                came + timedelta(seconds=25), f"{station}-log", "work.completed", station,
                {"outcome": "completed", "boards": whole, "program": {"name": "HW-100-T", "revision": "C"}},
            )  # fmt: skip
        if station in ("spi", "aoi"):
            for place, serial in enumerate(boards, 1):
                single = {
                    "unit": "board", "identifiers": [_id("board", serial, "read")],
                    "panel": _id("panel", panel, "read"), "position": place,
                }  # fmt: skip
                calls = (
                    [{"place": {"designator": f"R{place}"}, "label": "bridge"}]
                    if (number + place) % 7 == 0
                    else []
                )
                yield (
                    came + timedelta(seconds=25), f"{station}-files", "inspection.completed", station,
                    {
                        "method": "paste" if station == "spi" else "optical", "boards": [single], "calls": calls,
                        "outcome": "failed" if calls else "passed", "side": "top", "program": {"name": "HW-100-T"},
                        "coverage": {"inspected": 120, "total": 120, "of": "components"},
                    },
                )  # fmt: skip
        yield came + timedelta(seconds=28), "transfer", "board.departed", station, {
            "how": "transferred", "outcome": "good", "lane": 1, "boards": moving,
        }  # fmt: skip
    if number % 50 == 0:
        yield (
            timedelta(seconds=700),
            "oven-log",
            "source.rejected",
            "oven",
            {"reason": "line cut off", "code": "row"},
        )


def _id(kind: str, value: str, how: str) -> dict[str, str]:
    return {"kind": kind, "value": value, "how": how}


def events(count: int) -> Iterator[Arrival]:
    """So many events in the order in which a recorder would take them."""
    start = datetime(2026, 1, 5, 6, tzinfo=UTC)
    running: list[tuple[datetime, int, Any]] = []
    sequences: dict[str, int] = {}
    number = made = 0
    while made < count:
        while len(running) < IN_LINE:
            begun = start + number * TAKT
            told = [(begun + since, place, rest) for place, (since, *rest) in enumerate(panel_events(number))]
            running.append((begun, number, iter(sorted(told))))
            number += 1
        running.sort(key=lambda row: row[:2])
        for place in range(len(running) - 1, -1, -1):
            begun, panel, rest = running[place]
            for _, (when, _, (source, kind, station, data)) in zip(range(3), rest, strict=False):
                sequences[source] = sequences.get(source, 0) + 1
                yield _arrival(f"{LINE}/{source}", sequences[source], kind, station, data, when)
                made += 1
                if made == count:
                    return
            running[place] = (begun + 3 * TAKT, panel, rest)
        running = [row for row in running if row[2].__length_hint__()]


def _arrival(
    source: str, sequence: int, kind: str, station: str, data: dict[str, Any], when: datetime
) -> Arrival:
    text = when.isoformat().replace("+00:00", "Z")
    body = orjson.dumps(
        {
            "specversion": "1.0", "id": str(EventId("file", sequence * 512, 0, 1)), "source": source, "type": kind,
            "time": text, "datacontenttype": "application/json", "dataschema": schema_uri(kind), "recordedtime": text,
            "sequence": f"{sequence:020}", "epoch": f"{1:020}",
            "data": {"station": station, "origin": {"adapter": "bench", "time_means": "end"}, **data},
        }
    )  # fmt: skip
    return Arrival(parse_event(body), body)


async def write(path: Path, count: int) -> None:
    """Write the record."""
    store = await SqliteStore.open(path, "bench")
    try:
        batch: list[Arrival] = []
        for place, arrival in enumerate(events(count), 1):
            batch.append(arrival)
            if len(batch) == BATCH:
                await store.commit(batch)
                batch = []
            if place % 50_000 == 0:
                print(f"\r{place} events written", end="", file=sys.stderr, flush=True)
        if batch:
            await store.commit(batch)
    finally:
        await store.close()
        print(file=sys.stderr)


def floor_facts(record: Path) -> float:
    """Facts a second when they are only read and decoded."""
    reader = SqliteReader(record)
    try:
        begun, number = time.perf_counter(), 0
        while facts := reader.after(number, 2000):
            number = facts[-1].number
        return number / (time.perf_counter() - begun)
    finally:
        reader.close()


def index_rate(record: Path) -> float:
    """Facts a second into a new index."""
    for path in record.parent.glob(index_path(record).name + "*"):
        path.unlink()
    reader = SqliteReader(record)
    try:
        begun = time.perf_counter()
        catch_up(reader, index_path(record))
        return reader.head().number / (time.perf_counter() - begun)
    finally:
        reader.close()


def seconds(words: list[str], rounds: int) -> float:
    """Median seconds of a command."""
    # Compiled modules are part of every installation; this shell may keep Python from writing them.
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    taken = []
    for place in range(rounds + 1):
        begun = time.perf_counter()
        subprocess.run(words, check=False, stdout=subprocess.DEVNULL, env=environment, cwd=ROOT)
        if place:
            taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def measure(record: Path, rounds: int) -> None:
    """Print the table."""
    floor, rate = floor_facts(record), index_rate(record)
    print(f"facts read and decoded      {floor:>12,.0f} /s   1.00")
    print(f"facts into the index        {rate:>12,.0f} /s   {rate / floor:.2f}")
    chance = random.Random(1)
    reader = SqliteReader(record)
    last = reader.head().number
    reader.close()
    serials = [f"HW-{chance.randrange(last // 12):08}" for _ in range(3)]
    bare = seconds([sys.executable, "-c", "pass"], rounds)
    program = [sys.executable, "-m", "broker_bridge"]
    help_ = seconds([*program, "--help"], rounds)
    board = statistics.median(
        seconds([*program, "board", serial, "--record", f"sqlite:///{record}"], rounds) for serial in serials
    )
    print(f"bare interpreter            {bare * 1000:>12.0f} ms   1.0")
    print(f"--help                      {help_ * 1000:>12.0f} ms   {help_ / bare:.1f}")
    print(
        f"board ID                    {board * 1000:>12.0f} ms   {board / bare:.1f}, {1000 * (board - bare):.0f} ms besides"
    )


def main() -> int:
    """Make the record and measure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--events", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--keep", type=Path, help="folder to leave the record in")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = (args.keep or Path(scratch)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        record = folder / "record.db"
        if not record.exists():
            asyncio.run(write(record, args.events))
        measure(record, args.rounds)
    return 0


if __name__ == "__main__":
    sys.exit(main())

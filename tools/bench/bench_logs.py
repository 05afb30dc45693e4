"""What reading logs by a mapping costs, as ratios to the same events made and kept without one.

    python tools/bench/bench_logs.py                 # rows and a panel, medians
    python tools/bench/bench_logs.py --profile rows  # where the time goes

Rows: short delimited rows, an inspection event each, into an outbox on disk, against a bare loop that makes the same
events from ready values and puts them into the same outbox. Aims: at least 0.35 of the loop and 15,000 rows a second.
Panel: the invented plant's paste inspection with 5,000 pads, from bytes to checked events, against a bare loop that
splits the rows, makes numbers of them and packs the same columns. Aim: under 60 ms.
"""

import argparse
import asyncio
import cProfile
import csv
import gc
import pstats
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import broker_bridge.adapters.logs
from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.adapters.logs.mapping.compiled import Compiled, compile_mapping
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts
from broker_bridge.events.inspection import InspectionCompleted

AIM_RATIO, AIM_ROWS, AIM_PANEL_MS = 0.35, 15_000, 60.0
CHUNK = 300
SOURCE = "/harbour-works/smt/line-1/aoi-1"
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
SAMPLES = Path(broker_bridge.adapters.logs.__file__).parent / "samples"

ROWS = """
name = "short rows"
revision = 1
zone = "UTC"
[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
records = [{ kind = "row", columns = ["Time", "Board", "Program", "Result"] }]
[fields.row]
time = { column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end", required = true }
board = { column = "Board", required = true }
program = "Program"
result = { column = "Result", table = "results", required = true }
[tables.results]
values = { OK = "passed", NG = "failed" }
otherwise = "reject"
[[event]]
type = "inspection.completed"
each = "row"
time = "$time"
[event.data]
method = "optical"
outcome = "$result"
program = { name = "$program" }
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$board", how = "read" }] }]
"""


def rows_content(rows: int) -> bytes:
    """A log with a row every four seconds, one in fifty failed."""
    lines = (
        f"{START + timedelta(seconds=4 * n):%Y-%m-%d %H:%M:%S};HB{n:08d};P-{n % 3};{'NG' if n % 50 == 0 else 'OK'}\n"
        for n in range(rows)
    )
    return "".join(lines).encode()


def panel_content(pads: int, boards: int = 4) -> bytes:
    """A panel of the invented paste inspection; the values are random, the same in every run."""
    rng = random.Random(1)
    head = (
        "Machine;SPI\nRecipe;HW-1040_A_T\nProduct;HW-1040\nSide;T\nOrder;WO-1\nPanel;HP3000001\n"
        "Start;02.03.2026 06:45:27\nEnd;02.03.2026 06:45:42\nLow_%;50,0\nHigh_%;150,0\nMode;MEASURED\nPadRows;ALL\n\n"
        "BOARD;Position;Result;Pads;Low;High;Mean_%;Min_%\n"
    )
    each = pads // boards
    head += "".join(f"BOARD;{board + 1};PASS;{each};0;0;90,0;77,0\n" for board in range(boards))
    head += "\nPAD;Position;Designator;Pad;Volume_%;Height_µm;Area_%;OffsetX_µm;OffsetY_µm;Result\n"
    lines = (
        f"PAD;{board + 1};R{pad // 2};{pad % 2 + 1};{rng.gauss(90, 6):.1f};{rng.gauss(110, 8):.1f};"
        f"{rng.gauss(97, 4):.1f};{rng.gauss(0, 12):.1f};{rng.gauss(0, 12):.1f};PASS\n".replace(".", ",")
        for board in range(boards)
        for pad in range(each)
    )
    return (head + "".join(lines)).encode("cp1252")


def mapped(mapping: Compiled, content: bytes) -> Iterable[Taking]:
    """The takings of one content."""
    return read_bytes(mapping, content, "log.csv", adapter="aoi-1", station="aoi-1", modified=START)


def made(rows: int, generation: str) -> Iterable[Taking]:
    """The same events from ready values: what no mapping can be faster than."""
    for n in range(rows):
        board = f"HB{n:08d}"
        when = START + timedelta(seconds=4 * n)
        raw = {"hash": "0" * 64, "size": 37, "archived": "0" * 64, "offset": 37 * n, "line": n + 1}
        origin = {
            "adapter": "aoi-1", "raw": raw, "events": 1, "time_means": "end", "zone": "UTC",
            "zone_basis": "configured", "time_text": "2026-03-02 06:00:00",
        }  # fmt: skip
        data = InspectionCompleted(
            method="optical",
            outcome="failed" if n % 50 == 0 else "passed",
            program={"name": f"P-{n % 3}"},  # type: ignore[arg-type] # validated, as a mapping's are
            boards=[{"unit": "board", "identifiers": [{"kind": "board", "value": board, "how": "read"}]}],  # type: ignore[arg-type]
            station="aoi-1",
            origin=origin,  # type: ignore[arg-type]
        )
        yield Taking(generation, 37 * n, 1, (Statement(data, when, board),), "log.csv")


async def kept(takings: Iterable[Taking], folder: Path) -> float:
    """Seconds until everything lies in an outbox."""
    outbox = await Outbox.open(
        folder / "outbox.db", archive=Archive(folder / "archive"), ceiling_bytes=4 * 10**9
    )
    try:
        writer = await outbox.writer(SOURCE)
        begun = time.perf_counter()
        remaining = iter(takings)
        while chunk := list(islice(remaining, CHUNK)):
            await writer.take(chunk)
        return time.perf_counter() - begun
    finally:
        await outbox.close()


def bare_panel(content: bytes) -> int:
    """The same columns without a mapping, checks or places: csv, float and the packing of blocks."""
    boards: dict[str, list[list[str]]] = {}
    for row in csv.reader(content.decode("cp1252").split("\n"), delimiter=";"):
        if row and row[0] == "PAD" and row[1] != "Position":
            boards.setdefault(row[1], []).append(row)
    packed = 0
    for rows in boards.values():
        columns = [pack_texts(f"c{at}", [row[at] for row in rows]) for at in (2, 3, 9)]
        columns += [
            pack_numbers(f"c{at}", [float(row[at].replace(",", ".")) for row in rows]) for at in range(4, 9)
        ]
        packed += len(block_hash(columns))
    return packed


def seconds(takings: Iterable[Taking]) -> float:
    with tempfile.TemporaryDirectory() as folder:
        gc.collect()
        return asyncio.run(kept(takings, Path(folder)))


def bench_rows(rows: int, rounds: int) -> bool:
    mapping, content = compile_mapping(ROWS, "rows.toml"), rows_content(rows)
    ratios, rates = [], []
    for _ in range(rounds):
        floor = seconds(made(rows, "g"))
        ours = seconds(mapped(mapping, content))
        ratios.append(floor / ours)
        rates.append(rows / ours)
    ratio, rate = statistics.median(ratios), statistics.median(rates)
    print(
        f"rows into the outbox       {rate:>8,.0f} /s   {ratio:.2f} of the bare loop (aims {AIM_ROWS:,}, {AIM_RATIO})"
    )
    return ratio >= AIM_RATIO and rate >= AIM_ROWS


def bench_panel(pads: int, rounds: int) -> bool:
    mapping, content = load_mapping(SAMPLES / "paste_inspection.toml"), panel_content(pads)
    taken, floors = [], []
    for _ in range(rounds):
        gc.collect()
        begun = time.perf_counter()
        bare_panel(content)
        floors.append((time.perf_counter() - begun) * 1000)
        begun = time.perf_counter()
        takings = list(mapped(mapping, content))
        taken.append((time.perf_counter() - begun) * 1000)
        types = [one.data.TYPE for taking in takings for one in taking.statements]
        assert types.count("reading.paste_measured") == 4, types
    median = statistics.median(taken)
    ratio = statistics.median(floor / ours for floor, ours in zip(floors, taken, strict=True))
    print(
        f"panel of {pads:,} pads       {median:>8.1f} ms   {min(taken):.1f} at best (aim {AIM_PANEL_MS:.0f}),"
        f" {ratio:.2f} of the bare loop"
    )
    return median < AIM_PANEL_MS


def profiled(job: Callable[[], object]) -> None:
    profile = cProfile.Profile(time.thread_time)
    profile.runcall(job)
    pstats.Stats(profile).sort_stats("tottime").print_stats(28)


def main() -> int:
    """Print the table; exit code 1 where an aim is missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=30_000)
    parser.add_argument("--pads", type=int, default=5_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--profile", choices=("rows", "panel"))
    args = parser.parse_args()
    if args.profile == "rows":
        mapping, content = compile_mapping(ROWS, "rows.toml"), rows_content(args.rows)
        profiled(lambda: seconds(mapped(mapping, content)))
    elif args.profile == "panel":
        mapping, content = load_mapping(SAMPLES / "paste_inspection.toml"), panel_content(args.pads)
        profiled(lambda: [list(mapped(mapping, content)) for _ in range(5)])
    else:
        good = [bench_rows(args.rows, args.rounds), bench_panel(args.pads, args.rounds * 4)]
        return 0 if all(good) else 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

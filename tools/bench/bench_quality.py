"""How long `quality` takes on a large record, and its arithmetic on columns as large as a plant's year.

    tools/virtual_plant --boards 20000 --seed 11 --data DIR
    python tools/bench/bench_quality.py DIR/record.db

Without a record only the arithmetic is measured. Processor time, and the peak of memory of the whole process.
"""

import argparse
import gc
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

from broker_bridge.analysis.paste import drift, pad_statistics
from broker_bridge.analysis.risks import relative_risks
from broker_bridge.analysis.yields import first_pass
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import read_columns
from broker_bridge.queries.columns_oven import read_oven
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.columns_placements import read_placements
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_looks import defects
from broker_bridge.queries.quality_occurrence import Ground, quality_occurrence
from broker_bridge.queries.quality_yield import quality_yield
from broker_bridge.queries.record import open_record

Told = TypeVar("Told")


def main() -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("record", type=Path, nargs="?", help="record.db of a large run")
    parser.add_argument("--panels", type=int, default=1000)
    parser.add_argument("--pads", type=int, default=5000)
    parser.add_argument("--boards", type=int, default=500_000, help="looks of the yield on columns")
    args = parser.parse_args()
    gc.disable()
    _arithmetic(args.panels, args.pads, args.boards)
    if args.record is not None:
        _record(f"sqlite:////{str(args.record.resolve()).lstrip('/')}")
    return 0


def _arithmetic(panels: int, pads: int, boards: int) -> None:
    chance = np.random.default_rng(1)
    table = chance.normal(100.0, 6.0, (panels, pads))
    _timed(
        f"pad statistics, {panels:,} panels of {pads:,} pads",
        lambda: pad_statistics(table, lower=50.0, upper=150.0),
    )
    _timed("drift of the same, each against its print", lambda: drift(table, relative=True))
    outcomes = np.where(chance.random(boards) < 0.98, "passed", "failed").tolist()
    _timed(f"first-pass yield of {boards:,} looks", lambda: first_pass(range(boards), [1] * boards, outcomes))
    rows = 200_000
    hit = (chance.random(rows) < 0.001).tolist()
    factors = {
        name: chance.integers(0, levels, rows).tolist()
        for name, levels in (("reel", 400), ("nozzle", 12), ("slot", 60))
    }
    _timed(f"relative risks, {rows:,} placements, 472 levels", lambda: relative_risks(hit, factors))


def _record(url: str) -> None:
    with open_record(url) as record:
        as_of = record.as_of()
        print(f"{as_of.number:,} events")
        columns = _timed("inspections and tests into columns", lambda: read_columns(record, as_of))
        parts = read_parts(record, as_of)
        _timed(
            f"yields of {len(columns.looks):,} looks, {len(columns.boards):,} boards",
            lambda: quality_yield(columns, parts, Choice()),
        )
        paste = _timed("paste into tables", lambda: read_paste(record, as_of, Choice(), ("volume",)))
        placements = _timed("placements", lambda: read_placements(record, columns.boards, as_of))
        affected = {one.board for one in defects(columns, columns.chosen(Choice()))}
        ovens = _timed("oven readings", lambda: read_oven(record, columns.boards, affected, as_of))
        _timed(
            "occurrence",
            lambda: quality_occurrence(Ground(columns, parts, paste, placements, ovens), Choice()),
        )


def _timed(what: str, work: Callable[[], Told]) -> Told:
    began = time.process_time()
    found = work()
    took = time.process_time() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{what:<62} {took:7.2f} s, peak {peak:,} MB", flush=True)
    return found


if __name__ == "__main__":
    raise SystemExit(main())

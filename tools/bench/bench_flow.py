"""How long `flow` takes on a large record, and how it grows: ratios, which a busy machine changes little.

    tools/virtual_plant --boards 20000 --seed 11 --data DIR
    python tools/bench/bench_flow.py DIR/record.db

Without a record only the critical path on columns is measured. Processor time, and the peak of memory of the process. The
views are told as multiples of reading and decoding the same events alone.
"""

import argparse
import gc
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

from broker_bridge.analysis.critical_path import critical_path
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
from broker_bridge.queries.flow_columns import WORKING, read_flow
from broker_bridge.queries.flow_time import flow_time
from broker_bridge.queries.record import Record, open_record

Told = TypeVar("Told")
_STATIONS = 8
_STEP = 2000


def main() -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("record", type=Path, nargs="?", help="record.db of a large run, its index made")
    parser.add_argument("--visits", type=int, default=16_000, help="of the smaller columns (16,000)")
    args = parser.parse_args()
    gc.disable()
    _growth(args.visits)
    if args.record is not None:
        _record(f"sqlite:////{str(args.record.absolute()).lstrip('/')}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return 0


def _growth(visits: int) -> None:
    """The critical path of four times as many visits: four is linear."""
    spent = []
    for size in (visits, 4 * visits):
        columns = _line(size // _STATIONS)
        _, seconds = _timed(
            f"critical path, {size:,} visits", lambda columns=columns: critical_path(**columns)
        )
        spent.append(seconds)
    print(f"  four times as many take {spent[1] / spent[0]:.1f} times as long")


def _line(boards: int) -> dict[str, object]:
    """A line with room for two between its stations, the fifth of them slow."""
    chance = np.random.default_rng(1)
    cycles = [20.0] * _STATIONS
    cycles[4] = 24.0
    a, d = np.zeros((_STATIONS, boards)), np.zeros((_STATIONS, boards))
    work = chance.normal(1.0, 0.05, (_STATIONS, boards))
    for b in range(boards):
        for s in range(_STATIONS):
            free = d[s, b - 1] if b else 0.0
            a[s, b] = max(free, d[s - 1, b] + 4.0) if s else free
            ahead = a[s + 1, b - 2] if s + 1 < _STATIONS and b >= 2 else 0.0
            d[s, b] = max(a[s, b] + cycles[s] * work[s, b], ahead)
    order = sorted(
        ((s, b) for s in range(_STATIONS) for b in range(boards)), key=lambda key: (a[key], key[1], key[0])
    )
    row = {key: place for place, key in enumerate(order)}
    return {
        "station": [f"S{s}" for s, _ in order],
        "arrived": [a[key] for key in order],
        "departed": [d[key] for key in order],
        "before": [row.get((s - 1, b), -1) for s, b in order],
        "ahead": [row.get((s, b - 1), -1) for s, b in order],
        "program": ["A"] * len(order),
        "last": row[_STATIONS - 1, boards - 1],
    }


def _record(url: str) -> None:
    with open_record(url) as record:
        _, bare = _timed("events of work, read and decoded alone", lambda: _read(record))
        flow, seconds = _timed("flow: read", lambda: read_flow(record, Choice(), record.as_of()))
        print(f"  {len(flow.visits):,} visits; {seconds / bare:.2f} times bare")
        for name, view in (
            ("line", lambda: flow_line(flow, "")),
            ("stations", lambda: flow_stations(flow, "")),
            ("changes", lambda: flow_changes(flow, "")),
            ("time", lambda: flow_time(record, flow, "")),
        ):
            answer, seconds = _timed(f"flow: {name}, behind the reading", view)
            print(f"  {seconds / bare:.2f} times bare; {answer.sentence}")


def _read(record: Record) -> int:
    after = seen = 0
    upto = record.as_of().number
    while found := record.reader.typed(WORKING, after, upto, _STEP):
        after, seen = found[-1].number, seen + len(found)
    return seen


def _timed(what: str, work: Callable[[], Told]) -> tuple[Told, float]:
    began = time.process_time()
    told = work()
    seconds = time.process_time() - began
    print(f"{what}: {seconds:.2f} s")
    return told, seconds


if __name__ == "__main__":
    raise SystemExit(main())

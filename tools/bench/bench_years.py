"""How long `quality` takes on ten million events: the columns of a record, repeated as if the plant had gone on.

    tools/virtual_plant --boards 20000 --seed 11 --data DIR
    python tools/bench/bench_years.py DIR/record.db --events 10000000

Recording ten million events takes hours, so the index is repeated: every repetition has boards of its own (other names,
later times, later events) and says the same of them. What is
measured is all that a question does: loading names, ties and columns, settling which board is which, and the answer.
Processor time, and the peak of memory of the whole process; the floor is a bare numpy sort of as many times.
"""

import argparse
import gc
import resource
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from broker_bridge.projector.builder import catch_up  # noqa: E402
from broker_bridge.projector.index import Index  # noqa: E402
from broker_bridge.projector.ties import stream  # noqa: E402
from broker_bridge.queries.choice import Choice  # noqa: E402
from broker_bridge.queries.columns import read_columns  # noqa: E402
from broker_bridge.queries.parts import read_parts  # noqa: E402
from broker_bridge.queries.quality_yield import quality_yield  # noqa: E402
from broker_bridge.queries.record import Record  # noqa: E402
from broker_bridge.store.sqlite_reader import SqliteReader  # noqa: E402
from broker_bridge.trace.history import AsOf  # noqa: E402

Told = TypeVar("Told")


def repeat(index: Path, events: int, times: int) -> None:
    """Repeat the columns, names and ties of an index."""
    streams = {name: stream(index, name, events).copy() for name in ("said", "told", "names", "ties")}
    names = int(streams["names"]["name"].max())
    span = int(streams["said"]["ended"].max() - streams["said"]["began"].min()) + 3_600_000_000
    connection = sqlite3.connect(index, isolation_level=None)
    connection.execute("BEGIN")
    for again in range(1, times):
        for name, rows in streams.items():
            more = rows.copy()
            more["number"] += again * events
            for column in ("own", "panel", "alias0", "alias1", "alias2", "alias3", "name", "a", "b"):
                if column in (rows.dtype.names or ()):
                    more[column] += np.where(rows[column] > 0, again * names, 0).astype(np.int32)
            for column in ("began", "ended", "time", "inspected"):
                if column in (rows.dtype.names or ()):
                    more[column] += np.where(rows[column] > 0, again * span, 0)
            connection.execute(
                "INSERT INTO columns VALUES (?, ?, ?)", (name, again * events + 1, more.tobytes())
            )
        connection.execute(
            "INSERT INTO names SELECT name + ?, value || ?, kind, first + ? FROM names WHERE name <= ?",
            (again * names, f"-{again}", again * events, names),
        )
    connection.execute("COMMIT")
    connection.close()


def main() -> int:
    """Print what each step took."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("record", type=Path)
    parser.add_argument("--events", type=int, default=10_000_000)
    args = parser.parse_args()
    gc.disable()
    reader = SqliteReader(args.record)
    head = reader.head()
    times = -(-args.events // head.number)
    with TemporaryDirectory() as temporary:
        path = Path(temporary) / "index.db"
        catch_up(reader, path)
        repeat(path, head.number, times)
        record = Record(reader, Index(path))
        as_of = AsOf(head.name, head.incarnation, head.commit, head.number * times)
        print(f"{as_of.number:,} events, {path.stat().st_size / 1e6:,.0f} MB of index", flush=True)
        columns = timed("names, ties and looks into columns", lambda: read_columns(record, as_of))
        print(
            f"{len(columns.looks):,} looks of {len(columns.boards):,} boards, {len(columns.calls):,} calls",
            flush=True,
        )
        parts = read_parts(record, record.as_of())
        timed("yield of all", lambda: quality_yield(columns, parts, Choice()))
        timed("yield by station", lambda: quality_yield(columns, parts, Choice(), by="station"))
        timed("yield by day", lambda: quality_yield(columns, parts, Choice(), by="day"))
        began = columns.looks.column("began")
        mixed = np.random.default_rng(1).permutation(began)
        timed("floor: numpy sorts as many times", lambda: np.sort(mixed))
        record.close()
    return 0


def timed(what: str, work: Callable[[], Told]) -> Told:
    """What it gives; prints processor time and memory."""
    began = time.process_time()
    found = work()
    took = time.process_time() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{what:<46} {took:7.2f} s, peak {peak:,} MB", flush=True)
    return found


if __name__ == "__main__":
    raise SystemExit(main())

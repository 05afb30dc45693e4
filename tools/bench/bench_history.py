"""How long histories and recalls take on a record of the invented plant, and how that grows.

    tools/virtual_plant --boards 10000 --seed 5 --data A
    tools/virtual_plant --boards 100000 --seed 5 --data B
    tools/bench/bench_history.py A B

For each record, in one process, on this machine and in this run: making the index, settling every board from nothing
(per board), `board` for random boards (median, 95th of 100), and `where-used` for the lot that most boards carry.
The floor beside the history: the same events only read and decoded. Figures of the last record are also told as
multiples of the first.
"""

import argparse
import json
import math
import random
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from broker_bridge.garbage import spare_models  # noqa: E402
from broker_bridge.projector.derived import Derived  # noqa: E402
from broker_bridge.queries.boards import board  # noqa: E402
from broker_bridge.queries.record import Record, open_with  # noqa: E402
from broker_bridge.queries.settling import settle  # noqa: E402
from broker_bridge.queries.where_used import where_used  # noqa: E402
from broker_bridge.store.sqlite_reader import SqliteReader  # noqa: E402
from broker_bridge.trace.recall import Asked  # noqa: E402

T = TypeVar("T")
LINES = (
    "boards", "events", "index, events/s", "settle, ms a board", "index with derived tables, MB",
    "board, events read (median)", "board, ms (median)", "board, ms (95th of 100)", "the same events read only, ms",
    "where-used, members", "where-used, ms",
)  # fmt: skip


def measure(folder: Path, sample: int, histories_only: bool, keep: Path | None) -> list[float]:
    """One record; the index is made anew in a folder of its own, unless one was kept. NaN: not measured."""
    with TemporaryDirectory() as temporary:
        index = (keep or Path(temporary)) / f"{folder.name}.index.db"
        kept = index.exists()
        reader = SqliteReader(folder / "record.db")
        events = reader.head().number
        record, made = timed(lambda: open_with(reader, index))
        settled = math.nan
        if not histories_only:
            _, settled = timed(lambda: settle(record))
        if kept:
            made = settled = math.nan
        derived = Derived(index)
        boards = labels(folder)
        spare_models()  # as `serve` does
        size = sum(path.stat().st_size for path in index.parent.glob(f"{index.name}*")) / 1e6
        chance = random.Random(1)
        taken: list[float] = []
        floors: list[float] = []
        read: list[int] = []
        for panel, position in chance.sample(boards, min(sample, len(boards))):
            history, seconds = timed(
                lambda panel=panel, position=position: board(record, panel, kind="panel", position=position)
            )  # type: ignore[misc]
            taken.append(seconds * 1000)
            numbers = sorted(number_of(record, e) for visit in history.route for e in visit.evidence)
            _, floor = timed(lambda numbers=numbers: reader.facts(numbers))  # type: ignore[misc]
            floors.append(floor * 1000)
            read.append(history.completeness.statements)
        members, asked = math.nan, math.nan
        if not histories_only:
            lot = most_used(derived)
            answer, asked = timed(lambda: where_used(record, Asked(lot=lot)))
            members = len(answer.exact) + len(answer.possible)
        derived.close()
        record.close()
    taken.sort()
    return [
        len(boards), events, events / made, settled * 1000 / max(len(boards), 1), size, statistics.median(read),
        statistics.median(taken), taken[int(len(taken) * 0.95) - 1], statistics.median(floors),
        members, asked * 1000,
    ]  # fmt: skip


def labels(folder: Path) -> list[tuple[str, int]]:
    """Panel and position of every board that was made."""
    with (folder / "truth.jsonl").open(encoding="utf-8") as lines:
        entries = [json.loads(line) for line in lines if line.startswith('{"kind": "board"')]
    return sorted(
        {(entry["panel"], entry["position"]) for entry in entries if entry["purpose"] == "production"}
    )


def number_of(record: Record, evidence: object) -> int:
    """The number of an event."""
    return record.reader.number_of(evidence.source, evidence.id)  # type: ignore[attr-defined]


def most_used(derived: Derived) -> str:
    """The lot that most boards carry."""
    counted = [
        (len(derived.carries([use.use for use in derived.uses(["lot"], lot)])), lot)
        for lot in derived.words("lot")
    ]
    return max(counted)[1]


def timed(work: Callable[[], T]) -> tuple[T, float]:
    """What it gives, and the seconds of CPU it took: others may be at work on the machine."""
    begun = time.process_time()
    result = work()
    return result, time.process_time() - begun


def main() -> int:
    """Print a table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", nargs="+", type=Path, help="what `virtual_plant --data` left")
    parser.add_argument("--sample", type=int, default=100, help="boards whose history is asked for (100)")
    parser.add_argument(
        "--histories-only", metavar="NAME", action="append", default=[],
        help="folder of which nothing is settled and no lot is asked for",
    )  # fmt: skip
    parser.add_argument(
        "--keep", metavar="DIR", type=Path,
        help="leave the indexes there; one that is there is brought up to date, and its making is not measured",
    )  # fmt: skip
    args = parser.parse_args()
    columns: Sequence[list[float]] = [
        measure(folder, args.sample, folder.name in args.histories_only, args.keep) for folder in args.folders
    ]
    print("| | " + " | ".join(folder.name for folder in args.folders) + " | growth |")
    print("|---|" + "---:|" * (len(columns) + 1))
    for place, name in enumerate(LINES):
        values = [column[place] for column in columns]
        told = [value for value in values if not math.isnan(value)]
        growth = f"{told[-1] / told[0]:.2f}" if len(told) > 1 and told[0] else ""
        print(
            f"| {name} | "
            + " | ".join(
                "" if math.isnan(value) else f"{value:,.1f}" if value < 1000 else f"{value:,.0f}"
                for value in values
            )
            + f" | {growth} |"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())

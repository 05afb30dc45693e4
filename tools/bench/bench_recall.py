"""How long a recall takes, and how that grows with the record: derived tables of a record, repeated as if the plant had gone on.

    tools/virtual_plant --boards 10000 --seed 5 --data DIR
    python tools/bench/bench_recall.py DIR/record.db --times 10 --keep INDEX

Making the histories of a hundred thousand boards takes most of an hour, so those of a record are made once (`--keep` leaves
them there) and repeated: every repetition has boards, lots and uses of its own, later. Asked are the lot that most boards
carry and a station over a time in which it saw 20,000 boards, on the record alone and on all repetitions. Medians of five, in
processor time; the floor beside it: the same rows read by bare sqlite3.
"""

import argparse
import sqlite3
import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from broker_bridge.garbage import spare_models  # noqa: E402
from broker_bridge.projector.derived import Derived  # noqa: E402
from broker_bridge.queries.record import Record, open_with  # noqa: E402
from broker_bridge.queries.settling import settle  # noqa: E402
from broker_bridge.queries.where_used import where_used  # noqa: E402
from broker_bridge.store.sqlite_reader import SqliteReader  # noqa: E402
from broker_bridge.trace.recall import Asked  # noqa: E402

T = TypeVar("T")
SHIFTED = {
    "boards": {"board": "boards", "value": "text", "since": "time", "first": "time", "last": "time"},
    "board_names": {"name": "names", "board": "boards"},
    "passages": {
        "board": "boards", "since": "time", "until": "time", "latest": "time", "needs_since": "time", "needs_until": "time",
    },
    "uses": {"use": "uses", "said": "text"},
    "use_words": {"value": "text", "use": "uses"},
    "carries": {"use": "uses", "board": "boards", "since": "time", "until": "time"},
    "called": {"board": "boards", "called": "time"},
    "made_under": {"work_order": "text", "board": "boards"},
    "notices": {"number": "events", "since": "time", "until": "time"},
    "names": {"name": "names", "value": "text", "first": "events"},
    "named": {"name": "names", "number": "events"},
    "ties": {"a": "names", "b": "names", "first": "events"},
}  # fmt: skip
"""Of each table the columns that are other ones in a repetition, and by what they grow."""


def repeat(index: Path, times: int) -> None:
    """Repeat an index in place."""
    connection = sqlite3.connect(index, isolation_level=None)
    one = lambda sql: connection.execute(sql).fetchone()[0]  # noqa: E731
    grows = {
        "boards": one("SELECT max(board) FROM boards"),
        "uses": one("SELECT max(use) FROM uses"),
        "names": one("SELECT max(name) FROM names"),
        "events": one("SELECT max(number) FROM named"),
        "time": one("SELECT max(until) - min(since) FROM passages") + 3_600_000_000,
    }
    connection.execute("BEGIN")
    for table, shifted in SHIFTED.items():
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        connection.execute(f"CREATE TEMP TABLE original AS SELECT * FROM {table}")
        for again in range(1, times):
            values = [
                column
                if column not in shifted
                else f"{column} || '-{again}'"
                if shifted[column] == "text"
                else f"iif(abs({column}) < {1 << 61}, {column} + {again * grows[shifted[column]]}, {column})"
                for column in columns
            ]
            connection.execute(f"INSERT OR IGNORE INTO {table} SELECT {', '.join(values)} FROM original")
        connection.execute("DROP TABLE original")
    connection.execute("COMMIT")
    connection.close()


def ask(record: Record, index: Path) -> list[tuple[str, int, float, float]]:
    """What was asked, members, milliseconds, and those of the floor."""
    derived = Derived(index)
    carried = {
        lot: {c.board for c in derived.carries([u.use for u in derived.uses(["lot"], lot)])}
        for lot in lots(index)
    }
    lot = max(carried, key=lambda one: len(carried[one]))
    derived.close()
    connection = sqlite3.connect(index)
    count = "SELECT since FROM passages WHERE station = 'aoi' ORDER BY since LIMIT 1 OFFSET ?"
    passages = connection.execute("SELECT count(*) FROM passages WHERE station = 'aoi'").fetchone()[0]
    first, last = (
        datetime.fromtimestamp(connection.execute(count, (place,)).fetchone()[0] / 1e6, UTC)
        for place in (0, min(2 * 20_000, passages) - 1)
    )
    found = []
    for what, asked, floor in (
        (f"lot {lot}", Asked(lot=lot), f"SELECT * FROM use_words JOIN carries USING (use) JOIN boards USING (board) WHERE use_words.value = '{lot}'"),
        ("station aoi", Asked(station="aoi", from_=first, to=last + timedelta(seconds=1)),
         f"SELECT * FROM passages JOIN boards USING (board) WHERE passages.station = 'aoi' AND passages.since <= {int(last.timestamp() * 1e6)}"),
    ):  # fmt: skip
        answer = where_used(record, asked)
        taken = statistics.median(timed(lambda asked=asked: where_used(record, asked)) for _ in range(5))
        bare = statistics.median(
            timed(lambda floor=floor: connection.execute(floor).fetchall()) for _ in range(5)
        )
        found.append((what, len(answer.exact) + len(answer.possible), taken * 1000, bare * 1000))
    connection.close()
    return found


def lots(index: Path) -> list[str]:
    """Some lots, those of the record's own time."""
    connection = sqlite3.connect(index)
    rows = connection.execute(
        "SELECT DISTINCT value FROM use_words WHERE kind = 'lot' AND value NOT LIKE '%-_' LIMIT 60"
    )
    found = [value for (value,) in rows]
    connection.close()
    return found


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time."""
    began = time.process_time()
    work()
    return time.process_time() - began


def main() -> int:
    """Print a table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("record", type=Path)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument(
        "--keep", type=Path, required=True, help="index with the histories; made where it is not there"
    )
    args = parser.parse_args()
    record = open_with(SqliteReader(args.record), args.keep)
    settle(record)
    record.index.close()
    table: list[tuple[int, list[tuple[str, int, float, float]]]] = []
    with TemporaryDirectory() as temporary:
        for times in (1, args.times):
            path = Path(temporary) / f"{times}.db"
            connection = sqlite3.connect(args.keep)
            connection.execute("VACUUM INTO ?", (str(path),))
            connection.close()
            repeat(path, times)
            boards = (
                sqlite3.connect(path)
                .execute("SELECT count(*) FROM boards WHERE unit = 'board'")
                .fetchone()[0]
            )
            asking = open_with(SqliteReader(args.record), path)
            spare_models()
            table.append((boards, ask(asking, path)))
            asking.index.close()
    print("| boards | asked | members | ms | bare rows, ms |\n|---:|---|---:|---:|---:|")
    for boards, rows in table:
        for what, members, taken, bare in rows:
            print(f"| {boards:,} | {what} | {members:,} | {taken:,.0f} | {bare:,.0f} |")
    first, last = table[0][1], table[-1][1]
    for (what, members, taken, _), (_, more, later, _) in zip(first, last, strict=True):
        print(
            f"{what}: {later / taken:.2f} times as long, {later / more / (taken / members):.2f} times a member"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""What a record takes on the disk, a board: events, record, index, tables. For deploy/SIZING.md.

    tools/virtual_plant --boards 60 --seed 11 --every-pad --data DIR && python tools/bench/bench_sizes.py DIR

DIR holds a record as `virtual_plant` or `demo --exit` leave it. Works on a copy.
"""

import argparse
import shutil
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from broker_bridge.outlets.leaving import Choice
from broker_bridge.outlets.tables.once import export
from broker_bridge.outlets.tables.writer import NAMES
from broker_bridge.queries.record import open_record
from broker_bridge.queries.settling import settle


def size(path: Path) -> int:
    """Bytes of a file, or of all files in a folder."""
    return (
        sum(file.stat().st_size for file in path.rglob("*") if file.is_file())
        if path.is_dir()
        else path.stat().st_size
    )


def main() -> int:
    """Print a table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="holds record.db")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as base:
        path = Path(base) / "record.db"
        shutil.copy(args.folder / "record.db", path)
        database = sqlite3.connect(path)
        (events,) = database.execute("SELECT count(*) FROM events").fetchone()
        paste, paste_bytes = database.execute(
            "SELECT count(*), coalesce(sum(length(body)), 0) FROM events JOIN types ON types.number = events.type"
            " WHERE name = 'reading.paste_measured'"
        ).fetchone()
        database.close()
        with open_record(f"sqlite:////{str(path).lstrip('/')}") as record:
            began = time.perf_counter()
            settle(record)
            settled_s = time.perf_counter() - began
            index = sqlite3.connect(record.index.path)
            (boards,) = index.execute("SELECT count(*) FROM boards WHERE unit = 'board'").fetchone()
            index.close()
            began = time.perf_counter()
            export(
                record,
                Path(base) / "lake",
                Choice(),
                tables=NAMES,
                csv=False,
                progress=lambda done, there: None,
            )
            tables_s = time.perf_counter() - began
            rows = [
                ("record", size(path)), ("of it paste blocks", paste_bytes), ("index", size(record.index.path)),
                *((f"table {name}", size(Path(base) / "lake" / name)) for name in NAMES),
            ]  # fmt: skip
    print(f"{boards:,} boards, {events:,} events ({events / boards:.1f} a board), {paste:,} paste blocks")
    for name, taken in rows:
        print(f"{name:<22}{taken / 1e6:10.2f} MB{taken / boards / 1e3:10.1f} kB a board")
    print(
        f"settling {settled_s / boards * 1e3:.0f} ms a board, tables {tables_s / boards * 1e3:.0f} ms a board"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

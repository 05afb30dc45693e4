"""`export FOLDER`: the record as Parquet and CSV files by day, once."""

import argparse
import json
import sys
from pathlib import Path

EXAMPLE = """\
example: broker-bridge export tables/
         broker-bridge export tables/ --record sqlite:///record.db --csv --tables visits,defects
         duckdb -c "SELECT station, outcome, count(*) FROM 'tables/visits/*/*.parquet' GROUP BY ALL"

FOLDER/DICTIONARY.md tells what every column means. An outlet of kind "tables" keeps such a folder up to date. Persons' pseudonyms
and raw bytes are left out, and so is everything about boards of marked parts, unless it is allowed here.

exit codes: 0 written, 1 no record there, 2 usage (FOLDER is not empty), 3 configuration, 4 record unreachable"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import where

    parser.epilog = EXAMPLE
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="where to write: new, or empty")
    parser.add_argument(
        "--tables",
        type=lambda text: tuple(text.split(",")),
        metavar="TABLE,...",
        help="only these: events, visits, inspections, defects, materials, pads",
    )
    parser.add_argument("--csv", action="store_true", help="CSV files as well, in FOLDER/csv")
    parser.add_argument(
        "--allow",
        action="append",
        default=[],
        choices=("persons", "raw", "unknown-parts"),
        help="also pseudonyms of persons; raw bytes; where parts are marked, boards whose part is not known",
    )
    parser.add_argument(
        "--marking", action="append", default=[], metavar="M", help="also parts that carry this marking"
    )
    where(parser)
    parser.add_argument("--json", action="store_true", help="answer as JSON (schemas/export.json)")


def run(args: argparse.Namespace) -> int:
    """Write all tables."""
    from broker_bridge.cli.progress import counting
    from broker_bridge.cli.where import record_url
    from broker_bridge.errors import UsageError
    from broker_bridge.outlets.leaving import Choice
    from broker_bridge.outlets.tables.dictionary import TABLES
    from broker_bridge.outlets.tables.once import export
    from broker_bridge.queries.record import open_record
    from broker_bridge.trace.plain import plain
    from broker_bridge.trace.ways import Exported

    known = [table.name for table in TABLES]
    tables = args.tables or tuple(known)
    if unknown := [name for name in tables if name not in known]:
        raise UsageError(f"--tables: there is no table {unknown[0]!r}; choose from {', '.join(known)}")
    if args.folder.exists() and (not args.folder.is_dir() or any(args.folder.iterdir())):
        raise UsageError(f"{args.folder} is not an empty folder: name a new one; nothing is written over")
    choice = Choice(allow=args.allow, markings=args.marking, unknown_parts="unknown-parts" in args.allow)
    with open_record(record_url(args)) as record:
        written = export(
            record, args.folder, choice, tables=tables, csv=args.csv, progress=counting("exporting", "events")
        )
    if args.json:
        print(json.dumps(plain(Exported(str(args.folder), *written)), indent=1))
    else:
        print(
            f"{written.events:,} events as of commit {written.commit} in {args.folder}; {written.withheld:,} withheld;"
            f" {args.folder / 'DICTIONARY.md'} tells the columns"
        )
        if written.withheld:
            print(
                "withheld: about marked parts, or parts not known; see --marking and --allow", file=sys.stderr
            )
    return 0

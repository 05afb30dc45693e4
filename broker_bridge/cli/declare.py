"""`declare FILE...`: master data into the record: lines, parts, materials, each valid from a date."""

import argparse
import json
from pathlib import Path

EXAMPLE = """\
example: broker-bridge declare parts.json --dry-run
         broker-bridge declare placement.csv positions.csv --valid-from 2026-03-02
         broker-bridge declare routing.csv materials.csv --adapter master --config plant.toml

Files are JSON or TOML with the keys valid_from, lines, parts, materials (the fields of schemas/line.declared.json,
line.part_declared.json and material.declared.json), or CSV tables told apart by their columns:
  placement   part, designator; revision, component, component_revision, side, x_mm, y_mm, rotation_deg, terminations
  positions   part, position; revision, x_mm, y_mm, rotation_deg
  limits      part, name; revision, designator, pad, lower, upper, nominal, unit
  routing     line, station; part, side, equipment, kind, lanes, next, buffer, optional
  materials   material; description, kind, maker, maker_part, alternates, moisture_level, floor_life_h, shelf_life_d, unit
and valid_from in each. The same file again changes nothing; other content for the same thing and date is its next revision,
and a later date a new version beside the old one.

exit codes: 0 declared, or nothing to declare, 1 with --dry-run: something would change, 2 a file cannot be used,
            3 configuration, 4 no edge runs: nothing was written"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="JSON, TOML or CSV")
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="the plant's configuration (default: plant.toml here)"
    )
    parser.add_argument(
        "--valid-from", metavar="TIME", help="RFC 3339 or a date (UTC), where the file states none"
    )
    parser.add_argument(
        "--adapter", metavar="NAME", help="the adapter of kind declarations, where there are several"
    )
    parser.add_argument("--dry-run", action="store_true", help="only tell what would change")
    parser.add_argument(
        "--wait", type=float, default=20.0, metavar="S", help="seconds to wait for the edge (20)"
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON (schemas/declare.json)")


def run(args: argparse.Namespace) -> int:
    """Declare file by file; each is taken as a whole or not at all."""
    from broker_bridge.cli.where import DEFAULT
    from broker_bridge.config import load
    from broker_bridge.errors import UsageError
    from broker_bridge.queries.declaring import declare
    from broker_bridge.trace.plain import plain
    from broker_bridge.trace.ways import Declaration, Declared
    from broker_bridge.words.telling import safe

    settings = load(args.config or DEFAULT)
    contents = []
    for path in args.files:
        try:
            contents.append((path, path.read_bytes()))
        except OSError as error:
            raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    # What is wrong with any file is said before the first is taken.
    passes = (True,) if args.dry_run else (True, False)
    for dry in passes:
        told = [
            change
            for path, content in contents
            for change in declare(
                settings, path.name, content, valid_from=args.valid_from, adapter=args.adapter, dry_run=dry,
                patience=args.wait,
            )
        ]  # fmt: skip
    if args.json:
        found = tuple(Declaration(**change._asdict()) for change in told)
        print(json.dumps(plain(Declared(args.dry_run, found)), indent=1))
    else:
        for change in told:
            revision = f", revision {change.revision}" if change.what == "changed" else ""
            print(f"{change.what:<10}{safe(change.told)} ({change.entries} entries{revision})")
        moved = sum(change.what != "unchanged" for change in told)
        print(f"{moved} of {len(told)} declarations {'would be' if args.dry_run else 'were'} taken")
    return int(args.dry_run and any(change.what != "unchanged" for change in told))

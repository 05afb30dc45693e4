"""`backup TARGET`: copy the record while it is being written."""

import argparse
import json
from pathlib import Path

EXAMPLE = """\
example: broker-bridge backup --config plant.toml /backup/            # a new file in that folder
         broker-bridge backup --record sqlite:///data/record.db copy.db

A copy is one file, complete up to a commit, and checked. Only the record needs one: the index is rebuilt, and an
outbox put back would give its numbers twice. The raw archive's files never change: copy its folder by any tool.

exit codes: 0 done, 2 usage, 4 no record there, or the disk does not take it, 5 record damaged"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import where

    parser.epilog = EXAMPLE
    parser.add_argument("target", type=Path, metavar="TARGET", help="a new file, or a folder for one")
    where(parser)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """Copy and check."""
    from broker_bridge.cli.where import record_url
    from broker_bridge.queries.keeping import back_up

    done = back_up(record_url(args), args.target)
    if args.json:
        print(json.dumps(done._asdict(), indent=1, default=str))
    else:
        print(
            f"{done.path}: {done.events:,} events of {done.name}, up to commit {done.commit}, {done.size / 1e6:.1f} MB"
        )
        print(
            f"`broker-bridge verify --record sqlite:////{str(done.path.resolve())[1:]}` proves every byte of it."
        )
    return 0

"""`verify`: prove that the record's bytes are those that were committed."""

import argparse
import json
import sys

EXAMPLE = """\
example: broker-bridge verify --record sqlite:///data/record.db

exit codes: 0 every stored byte is what was committed, 5 the record is damaged"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import where

    parser.epilog = EXAMPLE
    where(parser)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """Check every stored event against the hash that was committed with it."""
    from broker_bridge.cli.where import record_url
    from broker_bridge.queries.proof import prove

    steps = 0

    def progress() -> None:
        nonlocal steps
        steps += 1
        if sys.stderr.isatty():
            print(f"\rchecking {'.' * (steps % 40):<40}", end="", file=sys.stderr, flush=True)

    proof = prove(record_url(args), progress)
    if sys.stderr.isatty() and steps:
        print("\r" + " " * 60 + "\r", end="", file=sys.stderr)
    if args.json:
        print(json.dumps({"record": proof.head._asdict(), "damaged": proof.damaged}, indent=1))
    else:
        for finding in proof.damaged:
            print(f"DAMAGED  {finding}")
        events = f"{proof.head.number:,} events up to commit {proof.head.commit}"
        if proof.damaged:
            print(f"{len(proof.damaged)} of {events} are no longer what was committed.")
            print("Keep this file as it is, restore the last backup beside it; edges refill what is younger.")
        else:
            print(f"{proof.head.name}: {events}: every stored byte is what was committed.")
    return 5 if proof.damaged else 0

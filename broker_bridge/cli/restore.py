"""`restore BACKUP`: put a backup in the record's place."""

import argparse
import json
from pathlib import Path

EXAMPLE = """\
example: broker-bridge restore --config plant.toml /backup/record-20260301T020000Z.db

Stop the recorder first. The record that is there is moved aside, not deleted. When the recorder starts again, the
edges send what they still hold (`keep_days`); `check` says what is missing.

exit codes: 0 done, 3 a recorder runs, or the backup is newer than this program, 4 no such backup, or the disk does not
take it, 5 the backup is damaged; but for 0, nothing has changed"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import where

    parser.epilog = EXAMPLE
    parser.add_argument("backup", type=Path, metavar="BACKUP", help="a file made by `broker-bridge backup`")
    where(parser)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """Check the backup, move the record aside, put the copy in its place."""
    from broker_bridge.cli.where import record_name, record_url
    from broker_bridge.queries.keeping import put_back

    done = put_back(args.backup, record_url(args), record_name(args))
    if args.json:
        print(json.dumps(done._asdict(), indent=1, default=str))
    else:
        print(f"{done.record}: {done.events:,} events up to commit {done.commit}")
        if done.replaced is not None:
            print(f"what was there lies at {done.replaced}: keep it until the edges have sent again")
        print("start the role recorder, then `broker-bridge check`: it says what the edges no longer held")
    return 0

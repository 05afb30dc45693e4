"""`balance ORDER`: started = finished + scrapped + in process + not accounted for, each a list."""

import argparse
import json
import sys
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from broker_bridge.cli.progress import counting
from broker_bridge.cli.where import record_url, where
from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.trace.balance import Balance, Member

EXAMPLE: Final = """\
example: broker-bridge balance WO-2601
         broker-bridge balance WO-2601 --end test --idle 48 --csv > balance.csv
         broker-bridge balance WO-2601 --at 4711 --json          # as it was known at commit 4711

exit codes: 0 every started board is accounted for, 1 some are not, or the order is not known, 2 usage,
            3 configuration, 4 record unreachable, 5 record damaged"""

_LISTS: Final = (
    "not_accounted_for", "in_process", "scrapped", "finished", "skipped", "not_product", "other_order",
)  # fmt: skip
_MOST: Final = 30
"""Boards of one list that are told one by one; --json and --csv have them all."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("order", metavar="ORDER", help="the work order")
    parser.add_argument(
        "--end",
        metavar="STATION",
        help="finished is who left this station last (default: the declared process' last)",
    )
    parser.add_argument(
        "--idle", metavar="HOURS", type=float, default=24.0,
        help="not accounted for is of whom nothing was said for so long after leaving a station (24)",
    )  # fmt: skip
    parser.add_argument("--at", metavar="COMMIT", type=int, help="as it was known at this commit")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="answer as JSON (schemas/balance.json)")
    form.add_argument("--csv", action="store_true", help="answer as CSV, safe against formulas")
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Tell the balance; 1 where boards are not accounted for."""
    from broker_bridge.queries.balance import balance_of
    from broker_bridge.queries.record import open_record
    from broker_bridge.trace.plain import plain

    if not 0 < args.idle < 1e6:
        raise UsageError(f"--idle {args.idle:g}: expected hours above 0")
    with open_record(record_url(args), counting("indexing", "events")) as record:
        if record.note:
            print(record.note, file=sys.stderr)
        found = balance_of(
            record, args.order, end=args.end, idle=timedelta(hours=args.idle), at=args.at,
            progress=counting("judging", "boards"),
        )  # fmt: skip
    if args.json:
        print(json.dumps(plain(found), indent=1))
    elif args.csv:
        from broker_bridge.words.table import csv_table

        lists = [(name, one) for name in _LISTS for one in getattr(found, name)]
        sys.stdout.write(csv_table(("list", *_HEADS), [[name, *_cells(one)] for name, one in lists]))
    else:
        _print(found)
    return 1 if found.not_accounted_for else 0


_HEADS: Final = ("board", "under the order since", "last seen at", "last seen", "note")


def _print(found: "Balance") -> None:
    from broker_bridge.words.table import text_table

    print(f"As of commit {found.as_of.commit}; times are UTC. {found.sentence}")
    if found.related:
        print(f"Related orders: {', '.join(found.related)}.")
    panels = sum(one.unit == "panel" for one in found.started)
    if panels:
        print(
            f"{panels} of the started are panels whose boards are not known one by one: each counts as one."
        )
    for name in _LISTS:
        members: tuple[Member, ...] = getattr(found, name)
        if not members:
            continue
        print(f"\n{name.replace('_', ' ').capitalize()}: {len(members)}")
        for line in text_table(_HEADS, [_cells(one) for one in members[:_MOST]]):
            print(f"  {line}")
        if len(members) > _MOST:
            print(f"  and {len(members) - _MOST} more: --csv and --json tell them all")
    print(f"\n{found.caution}")


def _cells(one: "Member") -> list[str]:
    from broker_bridge.cli.defects import named, stamp

    return [named(one.board), stamp(one.since), one.station or "", stamp(one.seen), one.note or ""]

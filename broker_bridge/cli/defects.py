"""`defects`: what was called and confirmed over many boards; what is open, escaped, or left with a board."""

import argparse
import json
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from broker_bridge.cli.progress import counting
from broker_bridge.cli.where import record_url, where
from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.trace.listing import Listing, Unproven
    from broker_bridge.trace.portrait import Key

EXAMPLE: Final = """\
example: broker-bridge defects --open
         broker-bridge defects --station aoi-1 --from 2026-03-02 --to 2026-03-03 --designator U7 --csv
         broker-bridge defects --left-with-open          # boards that left with an open defect or unjudged call
         broker-bridge defects --since-verification aoi-1

A call is not yet a defect: what nobody has judged is told apart. An empty list is not a release of product.

exit codes: 0 nothing of it, 1 there are rows, or not found, 2 usage, 3 configuration, 4 record unreachable,
            5 record damaged"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("--station", metavar="S", help="called at this station")
    parser.add_argument("--line", metavar="LINE", help="on this line: its name, or /site/area/line")
    parser.add_argument(
        "--from", dest="since", metavar="TIME", help="called at or after, RFC 3339 or a date, UTC"
    )
    parser.add_argument(
        "--to", dest="until", metavar="TIME", help="called at or before; a date means its end"
    )
    parser.add_argument("--designator", metavar="R", help="at this component")
    parser.add_argument("--open", action="store_true", help="not mended, or not judged")
    parser.add_argument("--escaped", action="store_true", help="an earlier inspection had let it pass")
    parser.add_argument(
        "--left-with-open", action="store_true", help="the board left its line or the plant with it"
    )
    parser.add_argument(
        "--any-purpose", action="store_true", help="also reference boards, dummies and the like"
    )
    parser.add_argument(
        "--since-verification", metavar="EQUIPMENT",
        help="instead: boards this machine or station inspected since its last good verification",
    )  # fmt: skip
    parser.add_argument("--at", metavar="COMMIT", type=int, help="as it was known at this commit")
    form = parser.add_mutually_exclusive_group()
    form.add_argument(
        "--json", action="store_true", help="answer as JSON (schemas/defects.json, unproven.json)"
    )
    form.add_argument("--csv", action="store_true", help="answer as CSV, safe against formulas")
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Tell them; 1 where there are any."""
    from broker_bridge.queries.defects import defects, since_verification
    from broker_bridge.queries.record import open_record
    from broker_bridge.trace.listing import Wanted

    wanted = Wanted(
        args.station, args.line, moment(args.since), moment(args.until, end=True), args.designator, args.open,
        args.escaped, args.left_with_open, args.any_purpose,
    )  # fmt: skip
    if args.since_verification is not None and wanted != Wanted():
        raise UsageError("--since-verification goes with none of the other choices")
    with open_record(record_url(args), counting("indexing", "events")) as record:
        if record.note:
            print(record.note, file=sys.stderr)
        progress = counting("judging", "boards")
        if args.since_verification is not None:
            return _tell_unproven(
                since_verification(record, args.since_verification, at=args.at, progress=progress), args
            )
        return _tell(defects(record, wanted, at=args.at, progress=progress), args)


def moment(text: str | None, *, end: bool = False) -> datetime | None:
    """A time of the command line; a date means its beginning, or its end. Raises UsageError."""
    if text is None:
        return None
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no time: expected 2026-03-02 or 2026-03-02T08:15:30Z") from None
    if end and "T" not in text and len(text) == 10:
        time = time.replace(hour=23, minute=59, second=59, microsecond=999_999)
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


_HEADS: Final = (
    "board", "place", "defect", "called", "station", "state", "escaped", "left with", "line", "side", "order", "part",
    "confirmed", "reworked", "looked again", "certainty",
)  # fmt: skip
_SHOWN: Final = 8
"""Columns for people; --csv and --json tell all."""


def _tell(found: "Listing", args: argparse.Namespace) -> int:
    rows = [
        [
            named(row.board),
            " ".join(
                part for part in (row.designator, row.termination, row.pad and f"pad {row.pad}") if part
            ),
            row.defect,
            stamp(row.called),
            row.station or "",
            row.state.replace("_", " "),
            ", ".join(row.escaped),
            ", ".join(row.left),
            row.line,
            row.side or "",
            row.order or "",
            row.part or "",
            stamp(row.confirmed),
            stamp(row.reworked),
            stamp(row.looked_again),
            row.certainty,
        ]
        for row in found.rows
    ]
    return tell(found, found.sentence, _HEADS, rows, args, shown=_SHOWN)


def _tell_unproven(found: "Unproven", args: argparse.Namespace) -> int:
    rows = [
        [named(one.board), one.panel or "", stamp(one.started), one.outcome, str(one.calls)]
        for one in found.boards
    ]
    return tell(
        found, found.sentence, ("board", "panel", "inspected", "outcome", "calls"), rows, args, shown=5
    )


def tell(
    answer: "Listing | Unproven",
    sentence: str,
    heads: tuple[str, ...],
    rows: list[list[str]],
    args: argparse.Namespace,
    *,
    shown: int,
) -> int:
    """Sentence first, table second; or JSON, or CSV."""
    from broker_bridge.trace.plain import plain
    from broker_bridge.words.table import csv_table, text_table

    if args.json:
        print(json.dumps(plain(answer), indent=1))
    elif args.csv:
        sys.stdout.write(csv_table(heads, rows))
    else:
        print(f"As of commit {answer.as_of.commit}; times are UTC. {sentence}")
        if rows:
            print()
            for line in text_table(heads[:shown], [row[:shown] for row in rows]):
                print(line)
        print(f"\n{answer.caution}")
    return 1 if rows else 0


def named(key: "Key") -> str:
    """A board in a cell: its serial, or its panel and position."""
    return key.value if key.position is None else f"{key.value} #{key.position}"


def stamp(time: datetime | None) -> str:
    """A time in a cell."""
    return "" if time is None else f"{time:%Y-%m-%d %H:%M:%S}"

"""`report ID`: a board's report as one file, HTML or PDF, to be printed, kept and checked."""

import argparse
import hashlib
import json
import sys
from pathlib import Path
from typing import Final

from broker_bridge.cli.where import record_url, where

EXAMPLE: Final = """\
example: broker-bridge report HW-000123 --out HW-000123.pdf
         broker-bridge report HW-000123 --out HW-000123.html --paper letter --at 4711
         broker-bridge report HW-000123 --out HW-000123.pdf --record-hash    # also names the whole record

The same record as of the same commit gives the same bytes. A report is no release: the plant's procedure and its
authorised people decide.

exit codes: 0 written, 1 not found or ambiguous, 2 usage, 3 configuration, 4 record unreachable, 5 record damaged"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "identifier", metavar="ID", help="any identifier of it: serial, panel, transfer identifier ..."
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="where to: FILE.html or FILE.pdf"
    )
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size to print on (a4)")
    parser.add_argument(
        "--kind", metavar="KIND", help="take ID only as this kind: board, panel, assembly, transfer ..."
    )
    parser.add_argument(
        "--position", metavar="N", type=int, help="the board at this position of the panel ID"
    )
    parser.add_argument(
        "--at", metavar="COMMIT", type=int, help="as it was known at this commit (default: the newest)"
    )
    parser.add_argument(
        "--record-hash",
        action="store_true",
        help="add one hash of all events of the record up to there; takes a while",
    )
    parser.add_argument(
        "--json", action="store_true", help="say as JSON what was written (schemas/report.json)"
    )
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Write it. Raises NotFound, Ambiguous, UsageError for a file of another kind or one that is there."""
    from broker_bridge.errors import UsageError
    from broker_bridge.queries.boards import board
    from broker_bridge.queries.family import with_family
    from broker_bridge.queries.proof import digest
    from broker_bridge.queries.record import open_record
    from broker_bridge.report.content import report
    from broker_bridge.report.page import page
    from broker_bridge.trace.written import Written

    out: Path = args.out
    kind = out.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise UsageError(f"--out {out}: a report is FILE.html or FILE.pdf")
    url = record_url(args)
    with open_record(url) as record:
        if record.note:
            print(record.note, file=sys.stderr)
        history = with_family(
            record, board(record, args.identifier, kind=args.kind, position=args.position, at=args.at)
        )
        whole = digest(url, history.as_of.number) if args.record_hash else None
        found = report(record, history, record_hash=whole)
    made = page(found, args.paper)
    if kind == ".pdf":
        from broker_bridge.report.paper import pdf

        print("laying out pages; this takes some seconds", file=sys.stderr)
        made = pdf(made)
    try:
        with out.open("xb") as file:
            file.write(made)
    except FileExistsError:
        raise UsageError(f"--out {out} is there already: a report overwrites nothing") from None
    except OSError as error:
        raise UsageError(f"--out {out} cannot be written: {error.strerror}") from error
    written = Written(
        str(out),
        hashlib.sha256(made).hexdigest(),
        found.title,
        len(found.events),
        found.hash,
        whole,
        found.as_of,
    )
    if args.json:
        from broker_bridge.trace.plain import plain

        print(json.dumps(plain(written), indent=1))
    else:
        print(f"{out}: {found.title}, as of commit {found.as_of.commit}, SHA-256 {written.sha256}")
    return 0

"""`where-used`: the boards on which a lot, reel, tool, program, machine, or a station in a time was used."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.cli.progress import counting
from broker_bridge.cli.where import record_url, where
from broker_bridge.errors import UsageError

if TYPE_CHECKING:
    from broker_bridge.queries.record import Record
    from broker_bridge.trace.recall import Answer, Asked

EXAMPLE: Final = """\
example: broker-bridge where-used L1234                       # whatever it is: lot, reel, tool, program ...
         broker-bridge where-used --lot L1234 --csv list.csv
         broker-bridge where-used --program HW-1040_C_T --program-revision 7
         broker-bridge where-used --station place-1 --from 2026-03-02T02:00 --to 2026-03-02T02:30
         broker-bridge where-used --lot L1234 --freeze complaint-17   # keep the answer as of now
         broker-bridge where-used --frozen complaint-17               # and compare it with today's

Possible members have a reason, and where a person could decide it, what to confirm. An empty or short list is not a
release: the plant's procedure and its authorised people decide.

exit codes: 0 bounded, 1 not bounded or nothing known, 2 usage, 3 configuration, 4 record unreachable,
            5 record or frozen answer damaged"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "text", metavar="TEXT", nargs="?", help="looked up in every kind; told as what it was taken"
    )
    parser.add_argument("--lot", metavar="L", help="a maker's lot, of parts, paste or bare boards")
    parser.add_argument("--reel", metavar="R", help="a reel, tray, jar or bag by the plant's own id")
    parser.add_argument("--tool", metavar="T", help="a stencil, nozzle, fixture, feeder ...")
    parser.add_argument("--program", metavar="P", help="a machine's program")
    parser.add_argument("--program-revision", metavar="REV", help="only this revision of the program")
    parser.add_argument("--equipment", metavar="E", help="a machine, by its own name or number")
    parser.add_argument("--station", metavar="S", help="what was inside a station, with --from and --to")
    parser.add_argument(
        "--exceeded-life", action="store_true", help="whatever was used beyond its floor life or shelf life"
    )
    parser.add_argument("--from", dest="since", metavar="TIME", help="RFC 3339 or a date, UTC")
    parser.add_argument("--to", dest="until", metavar="TIME", help="a date means its end")
    parser.add_argument(
        "--part", metavar="N", help="the part number of a lot or reel that the record does not know"
    )
    parser.add_argument("--at", metavar="COMMIT", type=int, help="as it was known at this commit")
    parser.add_argument(
        "--freeze", metavar="NAME", help="keep the answer beside the record; never written over"
    )
    parser.add_argument(
        "--who",
        help="with --freeze: who keeps it; a pseudonym stands in it, by the key of the edge of --config",
    )
    parser.add_argument("--why", help="with --freeze: the reason, in a sentence")
    parser.add_argument("--frozen", metavar="NAME", help="show a kept answer and what is different today")
    parser.add_argument(
        "--csv", metavar="FILE", help="also write every use of every member, safe against formulas"
    )
    parser.add_argument("--json", action="store_true", help="answer as JSON (schemas/where-used.json)")
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Tell them; 1 where the list is not bounded or empty."""
    from broker_bridge.queries.record import open_record

    url, by = record_url(args), _by(args)
    with open_record(url, counting("indexing", "events")) as record:
        if record.note:
            print(record.note, file=sys.stderr)
        if args.frozen is not None:
            return _frozen(url, record, args)
        answer = _ask(record, _asked(args), args.at)
        if args.csv is not None:
            _write_csv(Path(args.csv), answer)
        if args.freeze is not None:
            from broker_bridge.queries.frozen import freeze

            kept = freeze(url, args.freeze, answer, **by)
            print(f"frozen in {kept}", file=sys.stderr)
        _tell(answer, json=args.json)
    return 0 if answer.bounded and (answer.exact or answer.possible) else 1


def _by(args: argparse.Namespace) -> dict[str, str]:
    """Who keeps an answer, as a pseudonym, and why, as far as that is told. Raises UsageError, ConfigError."""
    from broker_bridge.queries.acting import pseudonym, reason

    if args.freeze is None and not (args.who is None and args.why is None):
        raise UsageError("--who and --why go with --freeze")
    found = {}
    if args.who is not None:
        from broker_bridge.cli.where import DEFAULT
        from broker_bridge.config import load

        found["who"] = pseudonym(load(args.config or DEFAULT), args.who)
    if args.why is not None:
        found["why"] = reason(args.why)
    return found


def _asked(args: argparse.Namespace) -> "Asked":
    from broker_bridge.cli.defects import moment
    from broker_bridge.trace.recall import Asked

    return Asked(
        text=args.text, lot=args.lot, container=args.reel, tool=args.tool, program=args.program,
        program_revision=args.program_revision, equipment=args.equipment, station=args.station,
        from_=moment(args.since), to=moment(args.until, end=True), part=args.part, exceeded=args.exceeded_life,
    )  # fmt: skip


def _ask(record: "Record", asked: "Asked", at: int | None) -> "Answer":
    from broker_bridge.queries.where_used import where_used

    return where_used(record, asked, at=at, progress=counting("settling", "identifiers"))


def _tell(answer: "Answer", *, json: bool) -> None:
    if json:
        _print_json(answer)
        return
    from broker_bridge.words.recall import words

    for line in words(answer):
        print(line)


def _print_json(value: Any) -> None:
    import json

    from broker_bridge.trace.plain import plain

    print(json.dumps(plain(value), indent=1, ensure_ascii=True))


def _write_csv(path: Path, answer: "Answer") -> None:
    from broker_bridge.words.recall import HEADS, rows
    from broker_bridge.words.table import csv_table

    try:
        path.write_text(csv_table(HEADS, rows(answer)), encoding="utf-8", newline="")
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error}") from error


def _frozen(url: str, record: "Record", args: argparse.Namespace) -> int:
    from broker_bridge.queries.frozen import compared, frozen, proven
    from broker_bridge.trace.recall import Asked
    from broker_bridge.words.telling import safe

    document = frozen(url, args.frozen)
    then = document["answer"]
    intact = proven(url, document)
    if args.json:
        _print_json(document)
        return 0 if intact and then["bounded"] else 1
    print(f"Frozen as {args.frozen}: {then['summary']}")
    print(f"As of commit {then['as_of']['commit']} of record {then['as_of']['record']}.")
    if who := document.get("who"):
        print(f"Kept by {who}.")
    if why := document.get("why"):
        print(f"Kept because: {safe(why)}")
    print(
        "The record holds the very events it stands on."
        if intact
        else "THE RECORD DOES NOT HOLD THE EVENTS IT STANDS ON: another record, a restored one, or a damaged one."
    )
    today = _ask(record, _again(Asked, then["asked"]), None)
    different = compared(document, today)
    print(f"Today: {today.summary}")
    for title, listed in (
        ("new", different.added), ("no longer", different.gone), ("now for sure", different.surer),
        ("elsewhere", different.moved),
    ):  # fmt: skip
        print(f"  {title}: {len(listed)}")
        for text in listed[:40]:
            print(f"    {text}")
    print(f"\n{then['caution']}")
    return 0 if intact and then["bounded"] and not different.added else 1


def _again(kind: type["Asked"], asked: dict[str, Any]) -> "Asked":
    from datetime import datetime

    times = {"from": "from_", "to": "to"}
    values: dict[str, Any] = {
        times.get(name, name): datetime.fromisoformat(value) if name in times else value
        for name, value in asked.items()
    }
    return kind(**values)

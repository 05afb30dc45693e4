"""`board ID`: what is known of a board, panel or assembly, with its evidence and its doubts."""

import argparse
import sys
import time
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.cli.where import record_url, where

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from broker_bridge.queries.paste import PasteValues

EXAMPLE: Final = """\
example: broker-bridge board HW-000123
         broker-bridge board HW-000123 --at 4711 --json     # as it was known at commit 4711
         broker-bridge board PNL-0042 --position 3          # a board that has no serial of its own
         broker-bridge board HW-000123 --why V3             # what the third visit stands on

A clean history is not a release: the plant's procedure and its authorised people decide.

exit codes: 0 fine, 1 findings, not found or ambiguous, 2 usage, 3 configuration, 4 record unreachable,
            5 record damaged"""

_PATIENCE_S: Final = 1.0
"""Bringing the index up is not worth a word before."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "identifier", metavar="ID", help="any identifier of it: serial, panel, transfer identifier ..."
    )
    parser.add_argument(
        "--kind", metavar="KIND", help="take ID only as this kind: board, panel, assembly, transfer ..."
    )
    parser.add_argument(
        "--position", metavar="N", type=int, help="the board at this position of the panel ID"
    )
    parser.add_argument(
        "--at", metavar="COMMIT", type=int, help="as it was known at this commit (default: the newest)"
    )
    parser.add_argument("--paste", action="store_true", help="also the paste values, pad by pad")
    parser.add_argument(
        "--evidence", action="store_true", help="also the events that each statement stands on"
    )
    parser.add_argument(
        "--why", metavar="STATEMENT", help="one statement (V3, D1 ...): its reasoning and its events in full"
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="answer as JSON (schemas/history.json; with --why schemas/why.json)",
    )
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Tell the history; 1 when it has findings. Raises NotFound, or Ambiguous with the candidates."""
    from broker_bridge.queries.boards import board
    from broker_bridge.queries.family import with_family
    from broker_bridge.queries.paste import paste
    from broker_bridge.queries.record import open_record

    with open_record(record_url(args), _progress()) as record:
        if record.note:
            print(record.note, file=sys.stderr)
        history = board(record, args.identifier, kind=args.kind, position=args.position, at=args.at)
        history = with_family(record, history)
        if args.why is not None:
            return _why(record, history, args.why, as_json=args.json)
        measured = paste(record, history) if args.paste else iter(())
        if args.json:
            _print_json(history, list(measured) if args.paste else None)
        else:
            _print_words(history, measured, evidence=args.evidence)
            if args.paste and not any(one.paste for one in history.inspections):
                print("\nNo paste values of it are in the record.")
    return 1 if history.findings else 0


def _why(record: Any, history: Any, reference: str, *, as_json: bool) -> int:
    from broker_bridge.queries.evidence import why

    found = why(record, history, reference)
    if as_json:
        import json

        from broker_bridge.trace.plain import plain

        print(json.dumps(plain(found), indent=1))
    else:
        from broker_bridge.words.why import why_words

        for line in why_words(found):
            print(line)
    return 0


def _print_json(history: Any, measured: "list[PasteValues] | None") -> None:
    import json

    from broker_bridge.trace.plain import plain

    document = plain(history)
    if measured is not None:
        document["paste_values"] = [
            {"block": values.block, "units": values.units, "columns": values.columns} for values in measured
        ]
    print(json.dumps(document, indent=1, ensure_ascii=True))


def _print_words(history: Any, measured: "Iterator[PasteValues]", *, evidence: bool) -> None:
    from broker_bridge.words.board import words

    # What a terminal cannot show is spelt out rather than a reason to stop.
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    for line in words(history, evidence=evidence):
        print(line)
    for values in measured:
        _print_paste(values)


def _print_paste(values: "PasteValues") -> None:
    names = list(values.columns)
    print(f"\nPaste at {values.inspection.station}, block {values.block[:12]}")
    heads = [name + (f" [{values.units[name]}]" if name in values.units else "") for name in names]
    print("\t".join(heads))
    for row in zip(*values.columns.values(), strict=True):
        print("\t".join("" if value is None else str(value) for value in row))


def _progress() -> "Callable[[int, int], None]":
    begun, told = time.monotonic(), False

    def tell(done: int, there: int) -> None:
        nonlocal told
        if time.monotonic() - begun < _PATIENCE_S:
            return
        if sys.stderr.isatty():
            share = done / there if there else 1.0
            bar = "#" * round(30 * share)
            end = "\n" if done >= there else ""
            print(f"\rindexing [{bar:<30}] {done} of {there} events", end=end, file=sys.stderr, flush=True)
        elif not told:
            print(f"indexing {there} events", file=sys.stderr)
        told = True

    return tell

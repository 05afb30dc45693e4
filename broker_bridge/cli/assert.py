"""`assert CLAIM ID...`: a person's statement about boards goes into the record like any other event.

It is taken into the outbox of this machine's edge, numbered, sent over MQTT and receipted by the record. Where no edge
runs nothing is written.
"""

import argparse
import json
from typing import Final

from broker_bridge.cli.where import DEFAULT, record_url, where
from broker_bridge.queries.asserting import CLAIMS, Claim

EXAMPLE: Final = """\
example: broker-bridge assert note HW-000123 --who op-07 --why scratched
         broker-bridge assert same HW-000123 transfer=4d3cf5ec --who op-07 --why "read the label again by hand"
         broker-bridge assert part-of HW-000123 --of PNL-0042 --position 3 --who op-07 --why "cut it myself"
         broker-bridge assert held HW-000123 --hold H-17 --who qe-02 --why "short at U7" --evidence D1
         broker-bridge assert outcome HW-000123 --corrects I2 --outcome failed --who qe-02 --why "picture shows a bridge"
         broker-bridge assert --revoke N1 HW-000123 --who op-07 --why "wrong board"

It beats nothing silently: what machines said stays and is told, and where the two differ the history says so. A release
that is asserted here is a statement about the plant's procedure, it does not take its place.

exit codes: 0 in the record, 1 refused, or taken and not receipted in time, 2 usage, 3 configuration, 4 no edge runs:
            nothing was written"""

_WAIT_S: Final = 20.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("words", nargs="+", metavar="CLAIM ID", help=f"{', '.join(CLAIMS)}; then the boards")
    parser.add_argument("--who", required=True, help="who states it; the record gets a pseudonym")
    parser.add_argument("--why", required=True, help="in a sentence")
    parser.add_argument(
        "--evidence", action="append", default=[], metavar="STATEMENT",
        help="what it is based on: V3, D1 ... of the board, or 'SOURCE EVENT'; may be repeated",
    )  # fmt: skip
    parser.add_argument("--of", metavar="ID", help="the panel or assembly of part-of and not-part-of")
    parser.add_argument("--position", type=int, metavar="N", help="position in that panel")
    parser.add_argument("--station", metavar="S", help="where, for visited and not-visited")
    parser.add_argument("--happened", metavar="TIME", help="when, RFC 3339, for visited and not-visited")
    parser.add_argument("--hold", metavar="NUMBER", help="the plant's number of the hold")
    parser.add_argument(
        "--corrects", metavar="STATEMENT", help="the inspection or test: I2, T1 ... or 'SOURCE EVENT'"
    )
    parser.add_argument("--outcome", metavar="OUTCOME", help="passed, failed, aborted ...")
    parser.add_argument(
        "--revoke", metavar="STATEMENT", help="revoke an assertion: N1 ... of the board, or 'SOURCE EVENT'"
    )
    parser.add_argument(
        "--adapter", metavar="NAME", help="the adapter of kind assertions, where there are several"
    )
    parser.add_argument("--wait", type=float, default=_WAIT_S, metavar="S", help="seconds to wait (20)")
    parser.add_argument("--json", action="store_true", help="answer as JSON")
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Ask the edge and wait for the record's receipt. Raises BusUnavailable when no edge runs."""
    from broker_bridge.config import load
    from broker_bridge.queries.asserting import source_for, state
    from broker_bridge.queries.record import open_record
    from broker_bridge.trace.plain import plain

    claim, ids = ("revoked", args.words) if args.revoke else (args.words[0], args.words[1:])
    settings = load(args.config or DEFAULT)
    wanted = Claim(
        claim, tuple(ids), args.who, args.why, args.of, args.position, args.station, args.happened, args.hold,
        args.corrects, args.outcome, args.revoke, tuple(args.evidence),
    )  # fmt: skip
    source_for(
        settings, wanted, args.adapter
    )  # what is wrong with the words is said before anything is opened
    with open_record(record_url(args)) as record:
        stated = state(record, settings, wanted, args.adapter, args.wait)
    if args.json:
        told = {"source": stated.source, "id": stated.id, "receipted": stated.receipted, "data": stated.data}
        print(json.dumps(plain(told), indent=1))
    elif stated.receipted:
        print(f"In the record: event {stated.id} of {stated.source}, stated by {stated.who}.")
    else:
        print(
            f"Event {stated.id} of {stated.source} is in the outbox; no record has given its receipt yet. It will be sent."
        )
    return 0 if stated.receipted else 1

"""`assert CLAIM ID...`: a person's statement about boards goes into the record like any other event.

It is taken into the outbox of this machine's edge, numbered, sent over MQTT and receipted by the record. Where no edge
runs nothing is written.
"""

import argparse
import asyncio
import json
import re
import sys
import time
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.cli.where import DEFAULT, record_url, where
from broker_bridge.errors import BusUnavailable, NotFound, UsageError

if TYPE_CHECKING:
    from broker_bridge.config import Settings
    from broker_bridge.queries.record import Record

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

_CLAIMS: Final = (
    "same", "not-same", "part-of", "not-part-of", "visited", "not-visited", "note", "held", "released", "outcome",
)  # fmt: skip
_WHO: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")
_NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "part-of": ("of",), "not-part-of": ("of",), "visited": ("station", "happened"), "not-visited": ("station",),
    "outcome": ("corrects", "outcome"),
}  # fmt: skip
_WAIT_S: Final = 20.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("words", nargs="+", metavar="CLAIM ID", help=f"{', '.join(_CLAIMS)}; then the boards")
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
    from broker_bridge.edge.persons import Persons
    from broker_bridge.edge.survey import in_use

    claim, ids = _words(args)
    settings = load(args.config or DEFAULT)
    source = _source(settings, args.adapter)
    outbox = settings.edge.outbox
    if not in_use(outbox):
        raise BusUnavailable(
            f"no edge runs on this machine ({outbox} is held by nobody): nothing was written. Start it with"
            " `broker-bridge run`, or type this where it runs"
        )
    args.who = Persons(settings.edge.persons).pseudonym(
        args.who
    )  # before anything is kept, the request included
    data = _data(args, claim, ids, source)
    taken = _ask(outbox, source, data, args.wait)
    if not taken.startswith("taken: "):
        print(f"broker-bridge assert: {taken}", file=sys.stderr)
        return 1
    event = taken.removeprefix("taken: ")
    receipted = _receipted(outbox, source, event, args.wait)
    if args.json:
        print(
            json.dumps(
                {"source": source, "id": event, "receipted": receipted, "data": json.loads(data)}, indent=1
            )
        )
    elif receipted:
        print(f"In the record: event {event} of {source}, stated by {args.who}.")
    else:
        print(
            f"Event {event} of {source} is in the outbox; no record has given its receipt yet. It will be sent."
        )
    return 0 if receipted else 1


def _words(args: argparse.Namespace) -> tuple[str, list[str]]:
    claim, ids = ("revoked", args.words) if args.revoke else (args.words[0], args.words[1:])
    if claim not in (*_CLAIMS, "revoked"):
        raise UsageError(f"{claim!r} is no claim; there are {', '.join(_CLAIMS)}, and --revoke")
    if not _WHO.match(args.who):
        raise UsageError(
            f"--who {args.who!r}: a pseudonym of letters, digits, dots and dashes; names stay out of the record"
        )
    if not ids:
        raise UsageError("about which board? name at least one")
    if claim in ("same", "not-same") and len(ids) < 2:
        raise UsageError(f"{claim} needs two identifiers or more")
    for option in _NEEDED.get(claim, ()):
        if getattr(args, option) is None:
            raise UsageError(f"{claim} needs --{option}")
    return claim, ids


def _source(settings: "Settings", name: str | None) -> str:
    from broker_bridge.config import AssertionsAdapter
    from broker_bridge.errors import ConfigError

    found = [a for a in settings.adapters if isinstance(a, AssertionsAdapter) and name in (None, a.name)]
    if not found:
        raise ConfigError(
            "the configuration has no adapter for what persons state"
            + (f" that is called {name!r}" if name else "")
            + '; add [[adapters]] with kind = "assertions", name, area and line'
        )
    if len(found) > 1:
        raise UsageError(f"which adapter? --adapter {' or '.join(adapter.name for adapter in found)}")
    return settings.source(found[0])


def _data(args: argparse.Namespace, claim: str, ids: list[str], source: str) -> str:
    """The event's data as JSON, valid. Raises UsageError naming what is not."""
    from pydantic import ValidationError

    from broker_bridge.events.board import BoardAsserted
    from broker_bridge.events.union import explain
    from broker_bridge.queries.record import open_record

    with open_record(record_url(args)) as record:
        boards = [_board(record, text) for text in ids]
        said: dict[str, Any] = {
            "claim": claim.replace("-", "_"),
            "who": args.who,
            "why": args.why,
            "boards": boards,
            "station": args.station,
            "happened": args.happened,
            "hold": args.hold,
            "outcome": args.outcome,
            "evidence": [event for text in args.evidence for event in _events(record, ids[0], text)],
            "corrects": args.corrects and _events(record, ids[0], args.corrects)[0],
            "revokes": args.revoke and _events(record, ids[0], args.revoke)[0],
            "of": args.of and _board(record, args.of),
            "origin": {"adapter": source.rpartition("/")[2]},
        }
    if args.position is not None:
        boards[0]["position"] = args.position
    text = json.dumps({name: value for name, value in said.items() if value is not None})
    try:
        BoardAsserted.model_validate_json(text, strict=True)
    except ValidationError as error:
        raise UsageError(explain(error)) from None
    return text


def _board(record: "Record", text: str) -> dict[str, Any]:
    """An identifier as an event names it: KIND=VALUE, or a value the record knows as one kind."""
    kind, equals, value = text.partition("=")
    if not equals:
        kinds = sorted({node.kind for node in record.index.nodes(text, record.as_of().number)})
        if not kinds:
            raise NotFound(
                f"{text!r} is not in the record; if it is right all the same, say its kind: board={text}"
            )
        kind, value = ("board" if "board" in kinds else kinds[0]), text
        if len(kinds) > 1 and "board" not in kinds:
            raise UsageError(f"{text!r} is known as {' and '.join(kinds)}: say which, {kinds[0]}={text}")
    unit = kind if kind in ("board", "panel", "assembly") else "unknown"
    return {"unit": unit, "identifiers": [{"kind": kind, "value": value, "how": "typed"}]}


def _events(record: "Record", identifier: str, text: str) -> list[dict[str, str]]:
    """The events behind a statement of the board's history, or the one that is named by source and id."""
    from broker_bridge.queries.boards import board
    from broker_bridge.trace.references import find

    source, blank, event = text.partition(" ")
    if blank:
        record.reader.number_of(source, event)
        return [{"source": source, "id": event}]
    kind, equals, value = identifier.partition("=")
    history = board(record, value if equals else identifier, kind=kind if equals else None)
    one = find(history, text)
    if one is None or not one.statement.evidence:
        raise UsageError(f"{text!r} is no statement of the history of {identifier}, and no 'SOURCE EVENT'")
    return [{"source": e.source, "id": e.id} for e in one.statement.evidence]


def _ask(outbox: Any, source: str, data: str, patience: float) -> str:
    from broker_bridge.edge import requests

    now = datetime.now(UTC)
    request = {"key": uuid.uuid4().hex, "data": data, "asked": now.isoformat()}
    number = asyncio.run(requests.ask(outbox, source, "assert", request, now))
    end = time.monotonic() + patience
    while (outcome := requests.outcome(outbox, number)) is None and time.monotonic() < end:
        time.sleep(0.1)
    if outcome is None and asyncio.run(requests.withdraw(outbox, number, datetime.now(UTC))):
        raise BusUnavailable(
            f"the edge did not answer within {patience:g} s: the request was withdrawn. Should the edge have been about"
            f" to take it at this very moment, it is event {request['key']}.0.0.1 of {source}"
        )
    return outcome or requests.outcome(outbox, number) or "no answer"


def _receipted(outbox: Any, source: str, event: str, patience: float) -> bool:
    from broker_bridge.edge import requests

    end = time.monotonic() + patience
    while not (done := requests.receipted(outbox, source, event)) and time.monotonic() < end:
        time.sleep(0.1)
    return done

"""`outlets list|letters|retry|replay`: what the ways out have sent, and what receivers refused."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from broker_bridge.config import AnyOutlet, Settings
    from broker_bridge.outlets.cursor import Letter
    from broker_bridge.outlets.lag import Lag
    from broker_bridge.trace.ways import DeadLetter, Outlet

EXAMPLE = """\
example: broker-bridge outlets list plant.toml
         broker-bridge outlets letters plant.toml mes           # what the receiver refused, and why
         broker-bridge outlets retry plant.toml mes 3 4         # send these dead letters again
         broker-bridge outlets retry plant.toml mes --all
         broker-bridge outlets replay plant.toml mes --behind-commit 1200

`retry` and `replay` leave a wish with the outlet; it follows when it runs. A replay repeats events with the ids they
had: a receiver knows them by source and id. Where parts are marked, what is withheld stays withheld.

exit codes: 0 done or nothing refused, 1 dead letters are there or no such letter, 2 usage, 3 configuration, 4 it was
never started"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="every outlet: position, lag, dead letters")
    showing = actions.add_parser("letters", help="the dead letters of one")
    retrying = actions.add_parser("retry", help="send dead letters again")
    replaying = actions.add_parser("replay", help="send everything behind a commit again")
    for action in (listing, showing, retrying, replaying):
        action.add_argument(
            "config", type=Path, metavar="CONFIG", help="the plant's configuration file (TOML)"
        )
        if action is not listing:
            action.add_argument("name", metavar="NAME", help="the outlet's name in the configuration")
        schema = {listing: " (schemas/outlets.json)", showing: " (schemas/dead-letters.json)"}.get(action, "")
        action.add_argument("--json", action="store_true", help=f"answer as JSON{schema}")
    retrying.add_argument("letters", metavar="LETTER", type=int, nargs="*", help="as `letters` numbers them")
    retrying.add_argument("--all", action="store_true", help="all of them")
    group = replaying.add_mutually_exclusive_group(required=True)
    group.add_argument(
        "--behind-commit", type=int, metavar="N", help="everything behind this commit; 0: the whole record"
    )
    group.add_argument("--behind-event", type=int, metavar="N", help="everything behind this event's number")


def run(args: argparse.Namespace) -> int:
    """List, show, retry or replay."""
    from broker_bridge.config import load

    settings = load(args.config)
    if args.action == "list":
        return _list(settings, as_json=args.json)
    config = next((one for one in settings.outlets if one.name == args.name), None)
    if config is None:
        from broker_bridge.errors import UsageError

        names = ", ".join(one.name for one in settings.outlets) or "none"
        raise UsageError(f"{args.config} has no outlet {args.name!r}; it has: {names}")
    if args.action == "letters":
        return _letters(settings, config, as_json=args.json)
    return (_retry if args.action == "retry" else _replay)(settings, config, args)


def _list(settings: "Settings", *, as_json: bool) -> int:
    from broker_bridge.errors import NotFound
    from broker_bridge.outlets.lag import lags
    from broker_bridge.queries.tail import reader_of
    from broker_bridge.trace.plain import plain
    from broker_bridge.trace.ways import Outlets
    from broker_bridge.words.table import text_table

    try:
        with reader_of(settings.record.path) as reader:
            found = list(lags(settings, reader))
    except NotFound:
        found = list(lags(settings, None))
    if as_json:
        print(json.dumps(plain(Outlets(tuple(_outlet(lag) for lag in found))), indent=1))
    else:
        rows = [
            [
                lag.config.name,
                lag.config.kind,
                f"{lag.standing.number:,}" if lag.standing else "-",
                f"{lag.behind:,}",
                f"{lag.letters:,}",
                f"{lag.standing.withheld:,}" if lag.standing else "-",
                lag.trouble
                or (f"{lag.standing.condition} {lag.standing.detail}".rstrip() if lag.standing else "new"),
            ]
            for lag in found
        ]
        for line in text_table(
            ["outlet", "kind", "at event", "behind", "dead letters", "withheld", "condition"], rows, width=120
        ):
            print(line)
    return 1 if any(lag.letters or lag.trouble for lag in found) else 0


def _outlet(lag: "Lag") -> "Outlet":
    from broker_bridge.trace.ways import Outlet

    there = lag.standing
    return Outlet(
        name=lag.config.name,
        kind=lag.config.kind,
        condition="unknown" if lag.trouble else there.condition if there else "new",
        detail=lag.trouble or (there.detail if there else ""),
        behind=lag.behind,
        oldest_s=round(lag.oldest_s, 3),
        dead_letters=lag.letters,
        withheld=there.withheld if there else 0,
        number=there.number if there else None,
    )


def _letters(settings: "Settings", config: "AnyOutlet", *, as_json: bool) -> int:
    from broker_bridge.outlets.cursor import letters
    from broker_bridge.trace.plain import plain
    from broker_bridge.trace.ways import DeadLetters
    from broker_bridge.words.telling import safe

    found: list[Letter] = []
    while page := letters(settings.position(config), after=found[-1].letter if found else 0, limit=1000):
        found += page
    if as_json:
        told = DeadLetters(config.name, tuple(_dead_letter(letter) for letter in found))
        print(json.dumps(plain(told), indent=1))
    else:
        for letter in found:
            again = ", will be sent again" if letter.wanted else ""
            print(f"{letter.letter:<6} event {letter.number}: {letter.source} {letter.event}")
            print(f"{'':<6} {letter.code}, {letter.times} times{again}: {safe(letter.reason)}")
        print(f"{len(found)} dead letters." if found else "No dead letters.")
    return 1 if found else 0


def _dead_letter(letter: "Letter") -> "DeadLetter":
    from datetime import UTC, datetime

    from broker_bridge.trace.ways import DeadLetter

    first, last = (datetime.fromtimestamp(us / 1e6, UTC) for us in (letter.first_us, letter.last_us))
    return DeadLetter(
        letter.letter, letter.number, letter.source, letter.event, letter.code, letter.reason, first, last,
        letter.times, letter.wanted,
    )  # fmt: skip


def _retry(settings: "Settings", config: "AnyOutlet", args: argparse.Namespace) -> int:
    import asyncio

    from broker_bridge.errors import UsageError
    from broker_bridge.outlets.cursor import ask_again

    if args.all == bool(args.letters):
        raise UsageError("retry takes numbers of dead letters, or --all")
    count = asyncio.run(ask_again(settings.position(config), None if args.all else args.letters))
    print(json.dumps({"asked": count}) if args.json else f"{count} dead letters will be sent again")
    return 0


def _replay(settings: "Settings", config: "AnyOutlet", args: argparse.Namespace) -> int:
    import asyncio

    from broker_bridge.outlets.cursor import ask_replay
    from broker_bridge.queries.tail import reader_of

    behind = args.behind_event
    if behind is None:
        with reader_of(settings.record.path) as reader:
            behind = reader.last_number(args.behind_commit)
    asyncio.run(ask_replay(settings.position(config), behind))
    print(
        json.dumps({"behind": behind})
        if args.json
        else f"everything behind event {behind:,} will be sent again"
    )
    return 0

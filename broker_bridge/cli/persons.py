"""`persons`: who stands behind a pseudonym, and forgetting a person. On the edge's machine only."""

import argparse
import json
from pathlib import Path

EXAMPLE = """\
example: broker-bridge persons list plant.toml
         broker-bridge persons show plant.toml p-k3vqy2ml5ae7wz4c
         broker-bridge persons forget plant.toml p-k3vqy2ml5ae7wz4c
         broker-bridge persons forget plant.toml --all

The record holds pseudonyms only; names lie in a table on the edge (edge.persons). Forgetting a person leaves the events
and takes the way back. --all takes the key as well: then not even a guessed name can be tried. Raw files in the edge's
archive (edge.archive) may hold names as machines wrote them, as long as edge.archive_days says.

exit codes: 0 done, 1 no such pseudonym, 2 usage, 3 configuration, or an edge runs (with --all)"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("action", choices=("list", "show", "forget"), help="what to do")
    parser.add_argument("config", type=Path, metavar="CONFIG", help="the configuration of the edge (TOML)")
    parser.add_argument("pseudonym", nargs="?", metavar="PSEUDONYM", help="as it stands in events: p-...")
    parser.add_argument("--all", action="store_true", help="with forget: all persons, and the key")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """List, show or forget."""
    from broker_bridge.config import load
    from broker_bridge.edge.persons import Persons
    from broker_bridge.edge.survey import in_use
    from broker_bridge.errors import ConfigError, NotFound, UsageError

    settings = load(args.config)
    persons = Persons(settings.edge.persons)
    wants_one = args.action == "show" or (args.action == "forget" and not args.all)
    if wants_one != (args.pseudonym is not None) or (args.all and args.action != "forget"):
        raise UsageError("list takes no pseudonym, show one, forget one or --all")
    if args.action == "forget":
        if args.all:
            if in_use(settings.edge.outbox):
                raise ConfigError("an edge runs with this key: stop it, forget, start it again")
            count = persons.forget_all()
        else:
            persons.forget(args.pseudonym)
            count = 1
        print(json.dumps({"forgotten": count}) if args.json else f"{count} persons forgotten")
        return 0
    table = persons.table()
    if args.action == "show":
        if args.pseudonym not in table:
            raise NotFound(f"{args.pseudonym!r} is not in the table of this edge")
        table = {args.pseudonym: table[args.pseudonym]}
    if args.json:
        print(json.dumps(table, indent=1))
    else:
        for pseudonym, name in table.items():
            print(f"{pseudonym}  {'forgotten' if name is None else name}")
    return 0

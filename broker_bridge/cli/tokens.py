"""`tokens add|list|remove`: who may read and act over the network."""

import argparse
import json
from pathlib import Path
from typing import Final

EXAMPLE: Final = """\
example: broker-bridge tokens add mes --config plant.toml
         broker-bridge tokens add qe-02 --role operate
         broker-bridge tokens list
         broker-bridge tokens remove mes

A token is shown once, when it is made; kept is its hash. A running service knows of a change at once. `read` may look,
`operate` may besides state things about boards, freeze recalls and have rejected records read again, in its own name.

exit codes: 0 fine, 1 there is no such user, 2 usage, 3 configuration"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    from broker_bridge.cli.where import DEFAULT

    parser.epilog = EXAMPLE
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    adding = actions.add_parser("add", help="make a token and show it, this once")
    adding.add_argument(
        "name", metavar="NAME", help="the user or plant system; a pseudonym, no person's name"
    )
    adding.add_argument("--role", choices=("read", "operate"), default="read", help="what it may do (read)")
    listing = actions.add_parser("list", help="who has one")
    removing = actions.add_parser("remove", help="take a user's token back")
    removing.add_argument("name", metavar="NAME", help="the user")
    for action in (adding, listing, removing):
        action.add_argument(
            "--config",
            type=Path,
            metavar="FILE",
            default=DEFAULT,
            help="the plant's configuration (plant.toml here)",
        )
        action.add_argument("--json", action="store_true", help="answer as JSON")


def run(args: argparse.Namespace) -> int:
    """Make, list or remove."""
    from broker_bridge.config import load
    from broker_bridge.errors import ConfigError
    from broker_bridge.web.access import added, read_table, removed, write_table

    path = load(args.config).web.tokens
    if path is None:
        raise ConfigError(f"{args.config}: [web] tokens names no file")
    table = read_table(path)
    if args.action == "list":
        users = sorted(table.values())
        if args.json:
            print(json.dumps([user._asdict() for user in users], indent=1))
        else:
            for user in users:
                print(f"{user.name:<24} {user.role}")
            if not users:
                print("Nobody has a token: whoever reaches the port may read, nobody may act.")
        return 0
    if args.action == "remove":
        write_table(path, removed(table, args.name))
        print(json.dumps({"removed": args.name}) if args.json else f"{args.name} has no token any more.")
        return 0
    table, token = added(table, args.name, args.role)
    write_table(path, table)
    if args.json:
        print(json.dumps({"name": args.name, "role": args.role, "token": token}))
    else:
        print(f"Token of {args.name}, role {args.role}; it is not shown again:\n{token}")
    return 0

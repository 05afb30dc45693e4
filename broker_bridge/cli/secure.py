"""`secure CONFIG`: certificates, a login for every role and adapter, and the broker's access list."""

import argparse
import json
from pathlib import Path

EXAMPLE = """\
example: broker-bridge secure plant.toml
         broker-bridge secure plant.toml line-2.toml        # one broker, two edges with a configuration each
         broker-bridge secure plant.toml --renew passwords
         broker-bridge secure plant.toml --broker mosquitto

Then say credentials = "credentials" in [broker] and start the roles again. Doing it twice changes nothing.

exit codes: 0 done, 3 configuration"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "configs",
        type=Path,
        nargs="+",
        metavar="CONFIG",
        help="the plant's configurations, the broker's first",
    )
    parser.add_argument(
        "--renew",
        action="append",
        nargs="?",
        const="certificate",
        choices=("certificate", "passwords", "authority"),
        help="make this anew (default: the broker's certificate); may be given several times",
    )
    parser.add_argument(
        "--broker",
        choices=("embedded", "mosquitto"),
        default="embedded",
        help="mosquitto: write that broker's configuration, access list and password file too",
    )
    parser.add_argument("--json", action="store_true", help="print what was done as JSON, without any secret")


def run(args: argparse.Namespace) -> int:
    """Do it; 0, or a ConfigError."""
    from datetime import UTC, datetime

    from broker_bridge.bus.securing import secure
    from broker_bridge.config import load
    from broker_bridge.errors import ConfigError

    plants = [load(path) for path in args.configs]
    if len({(plant.plant.site, plant.plant.topic_root) for plant in plants}) > 1:
        raise ConfigError(
            "these configurations are of different plants: site and topic_root have to be equal"
        )
    folder = plants[0].broker.credentials or plants[0].data / "credentials"
    done = secure(
        plants,
        folder,
        now=datetime.now(UTC),
        renew=args.renew or (),
        for_mosquitto=args.broker == "mosquitto",
    )
    if args.json:
        told = {**done._asdict(), "folder": str(done.folder)}
        print(json.dumps(told, indent=1, default=lambda value: value.isoformat()))
        return 0
    for text in done.changed:
        print(f"made     {text}" if not text.startswith("the login") else f"removed  {text}")
    if not done.changed:
        print("nothing had to change")
    for command in done.commands:
        print(f"type     {command}")
    if done.commands:
        print(
            "         as root, each time this made something; the folders above have to let Mosquitto's user pass"
        )
    print(f"folder   {done.folder}: {len(done.logins)} logins")
    print(f"broker   {', '.join(done.names)}; the certificate ends on {done.ends:%Y-%m-%d}")
    if (folder / "authority.key").exists():
        print(
            f"advice   keep {folder / 'authority.key'} off this machine: who has it can pass for the broker"
        )
    if plants[0].broker.credentials is None:
        print(f'next     say credentials = "{folder.name}" in [broker] of {args.configs[0]}, and start again')
    return 0

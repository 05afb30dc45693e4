"""The command line: which commands there are, and what their exit codes mean."""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Final, Protocol

from broker_bridge.errors import (
    BridgeError,
    BusError,
    ConfigError,
    NoDatabase,
    NotFound,
    OutletUnavailable,
    RecordDamaged,
    SourceUnavailable,
    StoreUnavailable,
    StoreVersionError,
    UsageError,
)

FINE: Final = 0
FINDINGS: Final = 1
USAGE: Final = 2
CONFIGURATION: Final = 3
UNREACHABLE: Final = 4
DAMAGED: Final = 5

COMMANDS: Final = {
    "demo": "show a board's history on invented data, end to end",
    "run": "run the roles a configuration names",
    "preview": "what files would become by a mapping, or a first mapping for unknown files; writes nothing",
    "secure": "certificates, logins and access list of the broker",
    "backfill": "old files through the same source, each once",
    "check": "is the configuration valid, everything reachable and healthy?",
    "watch": "the line as it is now, or live events one a line, beside the machine",
    "board": "a board's history: backward trace",
    "report": "a board's report as one file, HTML or PDF",
    "where-used": "the boards on which a lot, reel, tool, program or machine was used, for sure and possibly",
    "defects": "calls and defects over many boards: what is open, escaped, or left with a board",
    "balance": "a work order's boards: started, finished, scrapped, in process, not accounted for",
    "quality": "yields, control charts, capability, paste, where defects came to be, gauge studies",
    "flow": "throughput, bottleneck, balance, changeovers, where stations' time goes",
    "serve": "pages and an interface to call, over a record",
    "tokens": "who may read and act over the network",
    "assert": "put a person's statement about boards into the record, or revoke one",
    "export": "the record as Parquet and CSV files by day, for analysis with other tools",
    "outlets": "what the ways out have sent and what receivers refused: list, letters, retry, replay",
    "declare": "master data into the record: lines, parts, materials, each valid from a date",
    "quarantine": "records that could not be used: list, show, retry",
    "backup": "copy the record while it is being written",
    "restore": "put a backup in the record's place",
    "persons": "who stands behind a pseudonym; forget a person",
    "verify": "prove that the record's bytes are those that were committed",
    "schemas": "write the schemas of all events and views",
}
"""Every command with its one-line help; the module of the same name in this package holds it."""

_EXIT_CODES = """\
exit codes: 0 fine, 1 findings or not found, 2 usage, 3 configuration, 4 unreachable, 5 record damaged"""

_CODES: Final[tuple[tuple[type[BridgeError], int], ...]] = (
    (UsageError, USAGE),
    (ConfigError, CONFIGURATION),
    (StoreVersionError, CONFIGURATION),
    (RecordDamaged, DAMAGED),
    (NoDatabase, UNREACHABLE),
    (NotFound, FINDINGS),
    (BusError, UNREACHABLE),
    (SourceUnavailable, UNREACHABLE),
    (OutletUnavailable, UNREACHABLE),
    (StoreUnavailable, UNREACHABLE),
)


class Command(Protocol):
    """What a command's module offers."""

    def arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add the command's arguments, epilog (an example) included."""
        ...

    def run(self, args: argparse.Namespace) -> int:
        """Do it; returns the exit code or raises a BridgeError."""
        ...


def command(name: str) -> Command:
    """The module that holds a command."""
    module: Command = import_module(f"broker_bridge.cli.{name.replace('-', '_')}")
    return module


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The parser of all commands; with `only`, the arguments of that command alone are loaded."""
    parser = argparse.ArgumentParser(
        prog="broker-bridge",
        description="What the machines of a circuit-board line say, as one record the plant can trust.",
        epilog=f"example: broker-bridge demo\n\n{_EXIT_CODES}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    # Left to find the name out itself, it makes a help text, and that takes time.
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", prog=parser.prog)
    for name, text in COMMANDS.items():
        child = commands.add_parser(
            name, help=text, description=text, formatter_class=argparse.RawDescriptionHelpFormatter
        )
        if only is None or name == only:
            command(name).arguments(child)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    only = next((word for word in words if not word.startswith("-")), "")
    parser = build_parser(only)
    args = parser.parse_args(words)
    if args.version:
        from importlib.metadata import version

        print(version("broker-bridge"))
        return FINE
    if args.command is None:
        parser.print_help()
        return USAGE
    try:
        return command(args.command).run(args)
    except BridgeError as error:
        print(f"broker-bridge {args.command}: {error}", file=sys.stderr)
        return next((code for kind, code in _CODES if isinstance(error, kind)), FINDINGS)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (a pager, head): that is no failure of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE

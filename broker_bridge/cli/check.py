"""`check CONFIG`: is the configuration valid, everything reachable and healthy?"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from broker_bridge.health.finding import Finding

EXAMPLE = """\
example: broker-bridge check plant.toml
         broker-bridge check plant.toml --offline    # configuration, folders and files only

exit codes: 0 all fine, 1 something needs a hand, 3 configuration, 4 broker or folder unreachable, 5 record damaged"""

_WORDS: Final = {
    "fine": "fine",
    "notice": "note",
    "problem": "PROBLEM",
    "unreachable": "UNREACHABLE",
    "damaged": "DAMAGED",
}
_CODES: Final = {"damaged": 5, "unreachable": 4, "problem": 1}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("config", type=Path, metavar="CONFIG", help="the plant's configuration file (TOML)")
    parser.add_argument("--offline", action="store_true", help="do not ask the broker")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Look at everything; the exit code is that of the worst finding."""
    from broker_bridge.config import load
    from broker_bridge.health.checkup import checkup

    settings = load(args.config)
    say = (lambda text: None) if args.json or not sys.stderr.isatty() else _progress
    findings = checkup(settings, offline=args.offline, progress=say)
    if args.json:
        print(json.dumps([finding._asdict() for finding in findings], indent=1))
    else:
        print(f"{args.config}: the configuration is valid.")
        for finding in findings:
            _print(finding)
        print(_summary(findings))
    return next((code for level, code in _CODES.items() if any(f.level == level for f in findings)), 0)


def _progress(text: str) -> None:
    print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)


def _print(finding: "Finding") -> None:
    print(f"{_WORDS[finding.level]:<12}{finding.subject}: {finding.text}")
    if finding.advice:
        print(f"{'':<12}-> {finding.advice}")


def _summary(findings: "list[Finding]") -> str:
    hands = sum(finding.level in _CODES for finding in findings)
    if not hands:
        return "Nothing needs a hand."
    return f"{hands} of {len(findings)} findings need{'s' if hands == 1 else ''} a hand."

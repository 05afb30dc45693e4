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
         broker-bridge check plant.toml --acceptance aoi-1 --from 2026-03-02T08:00 --to 2026-03-02T09:00 --counted 118
         broker-bridge check plant.toml --counts counts.csv --output acceptance.txt
              # columns: station, lane, from, to, counted, counting (lane and counting may be empty)

An acceptance compares a count by hand with the record; it is no release of product.

exit codes: 0 all fine (the counts agree and nothing is missing), 1 something needs a hand or counts differ, 3 configuration, 4 broker or folder unreachable, 5 record damaged"""

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
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the findings, or acceptances (schemas/acceptance.json), as JSON",
    )
    group = parser.add_argument_group("acceptance of a count by hand")
    group.add_argument(
        "--acceptance", metavar="STATION", help="compare a count at this station with the record"
    )
    group.add_argument("--from", dest="from_", metavar="T", help="begin of the count: 2026-03-02T08:00")
    group.add_argument("--to", metavar="T", help="end of the count")
    group.add_argument("--counted", type=int, metavar="N", help="pieces counted; a panel counts once")
    group.add_argument("--lane", type=int, metavar="N", help="only this lane")
    group.add_argument(
        "--counting",
        choices=("departed", "arrived", "inspected"),
        help="what was counted (default: what the record saw best)",
    )
    group.add_argument("--counts", type=Path, metavar="FILE", help="counts of several stations, CSV or TOML")
    group.add_argument(
        "--near", type=float, default=30.0, metavar="S", help="list pieces so near to a limit (30)"
    )
    group.add_argument("--zone", metavar="NAME", help="zone of times without one (default: this machine's)")
    group.add_argument("--output", type=Path, metavar="FILE", help="write the page there as well")


def run(args: argparse.Namespace) -> int:
    """Look at everything; the exit code is that of the worst finding."""
    if args.acceptance is not None or args.counts is not None:
        from broker_bridge.cli.acceptance import accept

        return accept(args)
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

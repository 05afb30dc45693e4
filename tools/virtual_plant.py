"""Run the invented plant "Harbour Works" in virtual time and record it.

    tools/virtual_plant --boards 20000 --seed 11 --faults rough --data DIR
    tools/score_history DIR

Leaves DIR/record.db (with its index), DIR/truth.jsonl and DIR/plant.toml, as `broker-bridge demo --exit` does, without
waiting for anything: a line's month takes minutes, with wrong clocks, summer time and every fault of the profile.
Exit code 2 where DIR holds a record already, 3 for a fault profile that cannot be read.
"""

import argparse
import gc
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from broker_bridge.demo.virtual import START, record_run
from broker_bridge.errors import BridgeError, ConfigError


def main() -> int:
    """Run it and say what was left where."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=int, default=300, metavar="N", help="at least so many boards (300)")
    parser.add_argument("--seed", type=int, default=7, metavar="S", help="same seed, same plant (7)")
    parser.add_argument(
        "--faults", default="clean", metavar="FILE", help="fault profile: a name or a TOML file"
    )
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="folder for everything")
    parser.add_argument(
        "--start",
        default=START.isoformat(),
        metavar="TIME",
        help=f"when the line starts, UTC ({START:%Y-%m-%dT%H:%M})",
    )
    parser.add_argument(
        "--every-pad", action="store_true", help="paste values of every pad, not only of those called"
    )
    args = parser.parse_args()
    gc.set_threshold(200_000, 20, 20)  # nothing here is thrown away in cycles: a sixth of the time
    began = time.monotonic()
    shown = 0.0

    def say(text: str, _: float | None) -> None:
        nonlocal shown
        if time.monotonic() - shown > 2 and sys.stderr.isatty():
            shown = time.monotonic()
            print(f"{shown - began:6.0f} s  {text}", file=sys.stderr)

    try:
        start = datetime.fromisoformat(args.start).replace(tzinfo=UTC)
        run = record_run(
            args.data, args.boards, args.seed, args.faults, say, start=start, every_pad=args.every_pad
        )
    except (BridgeError, ValueError) as error:
        print(error, file=sys.stderr)
        return 3 if isinstance(error, ConfigError) else 2
    took = time.monotonic() - began
    print(
        f"{run.events:,} events up to {run.end:%Y-%m-%d %H:%M} UTC, in {took:.0f} s ({run.events / took:,.0f}/s)"
    )
    for path in (run.record, run.truth, run.config):
        print(f"  {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

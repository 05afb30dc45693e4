"""`demo`: the invented plant, end to end."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from broker_bridge.demo.show import Demo

EXAMPLE = """\
example: broker-bridge demo                       # stays live; try the other commands in a second terminal
         broker-bridge demo --exit --data demo    # 48 boards, leaves record, truth and configuration in demo/
         broker-bridge demo --exit --faults rough --seed 7

Everything is invented: the plant "Harbour Works", its products, machines and numbers."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("--boards", type=int, metavar="N", help="boards to make (48 with --exit, else 600)")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="same seed, same plant (1)")
    parser.add_argument(
        "--faults", default="clean", metavar="FILE", help="fault profile: clean, rough, or a TOML file"
    )
    parser.add_argument(
        "--speed",
        type=float,
        metavar="X",
        help="begin now, X times as fast as real; without it the line has been running and goes on in real time",
    )
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="folder for everything (a new one by default)"
    )
    parser.add_argument("--exit", action="store_true", help="stop when all boards are through")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """Run the plant; 0 after a clean end."""
    import asyncio
    import contextlib
    import logging
    import tempfile

    from broker_bridge.demo.show import Demo
    from broker_bridge.errors import UsageError
    from broker_bridge.simulate import load_profile

    folder = args.data or Path(tempfile.mkdtemp(prefix="harbour-works-"))
    if (folder / "truth.jsonl").exists():
        raise UsageError(f"--data {folder}: another demo has run there; name a new folder")
    if args.boards is not None and args.boards < 1:
        raise UsageError(f"--boards {args.boards}: at least one")
    if args.speed is not None and not args.speed > 0:
        raise UsageError(f"--speed {args.speed}: must be more than 0")
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr)
    boards = args.boards or (48 if args.exit else 600)
    demo = Demo(folder.resolve(), boards, args.seed, load_profile(args.faults), args.speed)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_whole(demo, args) if args.exit else _live(demo))
    return 0


async def _whole(demo: "Demo", args: argparse.Namespace) -> None:
    from broker_bridge.demo.show import past_of, running, settle

    say = _Line()
    say(f"planning {demo.boards} boards")
    async with running(demo, past_of(demo, whole=True), say) as (settings, live):
        say("machines run")
        await live.run()
        await settle(settings, say)
    say.end()
    _result(demo, args)


async def _live(demo: "Demo") -> None:
    import asyncio

    from broker_bridge.demo.show import past_of, running

    say = _Line()
    async with running(demo, past_of(demo, whole=False), say) as (_, live):
        line = asyncio.create_task(live.run())
        say.end()
        config = demo.folder / "plant.toml"
        print(f"The invented plant runs in {demo.folder}. In a second terminal:")
        print()
        print(f"    broker-bridge watch {config}                  what happens now")
        print(f"    broker-bridge board HP3000001 --config {config}   what happened to a panel")
        print(f"    broker-bridge check {config}                  is everything well?")
        print()
        print("Ctrl-C ends it; the folder stays.", flush=True)
        await line
        print("All boards are through; the plant stands still. Ctrl-C ends it.", flush=True)
        await asyncio.Event().wait()


def _result(demo: "Demo", args: argparse.Namespace) -> None:
    import json

    from broker_bridge.queries.record import open_record

    with open_record(f"sqlite:////{str(demo.folder / 'record.db').lstrip('/')}") as record:
        as_of = record.as_of()
    left = {
        "record": str(demo.folder / "record.db"),
        "truth": str(demo.folder / "truth.jsonl"),
        "configuration": str(demo.folder / "plant.toml"),
        "events": as_of.number,
        "commit": as_of.commit,
        "board": _a_board(demo.folder / "truth.jsonl"),
    }
    if args.json:
        print(json.dumps(left, indent=1))
        return
    print(
        f"{left['events']:,} events of invented data are in {left['record']}. One board of them:\n",
        flush=True,
    )
    _show_board(str(left["board"]), demo.folder / "plant.toml")
    print("\nTry next:\n")
    print(f"    broker-bridge board {left['board']} --config {left['configuration']}")
    print(f"    broker-bridge verify --config {left['configuration']}")
    print(f"    broker-bridge quarantine list --config {left['configuration']}")


def _show_board(identifier: str, config: Path) -> None:
    from broker_bridge.cli.main import main

    main(["board", identifier, "--config", str(config)])


def _a_board(truth: Path) -> Any:
    """A board to show: one with a confirmed defect where there is one, else the first."""
    import json

    first = defective = None
    with truth.open(encoding="utf-8") as lines:
        for line in lines:
            entry = json.loads(line)
            if entry["kind"] == "visit" and first is None and str(entry["board"]).startswith("HW"):
                first = entry["board"]
            if entry["kind"] == "call" and entry.get("real") and defective is None:
                defective = entry["board"]
    return defective or first


class _Line:
    """One line on a terminal's standard error that tells what is being done."""

    def __call__(self, text: str) -> None:
        if sys.stderr.isatty():
            print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Clear it."""
        self("")

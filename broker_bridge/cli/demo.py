"""`demo`: the invented plant, end to end."""

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from broker_bridge.demo.show import Demo

EXAMPLE: Final = """\
example: broker-bridge demo                       # stays live; try the other commands in a second terminal
         broker-bridge demo --exit --data demo    # 48 boards, leaves record, truth and configuration in demo/
         broker-bridge demo --exit --faults rough --seed 11
         broker-bridge demo --exit --faults rough --speed 120    # with gaps and wrong clocks

Without --speed the line has been running and is caught up with; then it goes on in real time. What cannot be caught
up with is left out of a fault profile: wrong clocks, and connections cut before now.

Everything is invented: the plant "Harbour Works", its products, machines and numbers."""

_EVERY_S: Final = 0.1


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("--boards", type=int, metavar="N", help="boards to make (48 with --exit, else 600)")
    parser.add_argument("--seed", type=int, default=7, metavar="S", help="same seed, same plant (7)")
    parser.add_argument(
        "--faults", default="clean", metavar="FILE", help="fault profile: clean, rough, or a TOML file"
    )
    parser.add_argument(
        "--speed", type=float, metavar="X", help="begin now, and run X times as fast as a real line"
    )
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="folder for everything (a new one by default)"
    )
    parser.add_argument("--exit", action="store_true", help="stop when all boards are through")
    parser.add_argument("--json", action="store_true", help="print what was left where as JSON")


def run(args: argparse.Namespace) -> int:
    """Run the plant; 0 after a clean end, 130 when it was broken off before its last board."""
    import asyncio
    import contextlib
    import logging
    import signal

    logging.basicConfig(level=logging.ERROR, stream=sys.stderr)
    demo = _asked(args)
    told_to_stop = False

    async def until_told() -> None:
        task = asyncio.current_task()
        assert task is not None
        loop = asyncio.get_running_loop()

        def stop() -> None:
            nonlocal told_to_stop
            told_to_stop = True
            task.cancel()

        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop)
        with contextlib.suppress(asyncio.CancelledError):
            await (_whole if args.exit else _live)(demo, args)

    asyncio.run(until_told())
    if not told_to_stop:
        if args.exit:
            _tell_what_is_left(demo, args)
        return 0
    print(f"Ended. What was recorded stays in {demo.folder}", file=sys.stderr)
    return 130 if args.exit else 0


def _asked(args: argparse.Namespace) -> "Demo":
    import tempfile

    from broker_bridge.demo.show import Demo
    from broker_bridge.errors import UsageError
    from broker_bridge.simulate import load_profile

    if args.boards is not None and args.boards < 1:
        raise UsageError(f"--boards {args.boards}: at least one")
    if args.speed is not None and not 0 < args.speed < float("inf"):
        raise UsageError(f"--speed {args.speed}: must be more than 0")
    profile = load_profile(args.faults)
    if args.data is not None and args.data.exists() and (not args.data.is_dir() or any(args.data.iterdir())):
        raise UsageError(f"--data {args.data}: is not empty; name a new folder")
    folder = args.data or Path(tempfile.mkdtemp(prefix="harbour-works-"))
    boards = args.boards or (48 if args.exit else 600)
    return Demo(folder.resolve(), boards, args.seed, profile, args.speed, args.exit)


async def _whole(demo: "Demo", args: argparse.Namespace) -> None:
    from broker_bridge.demo.show import running, settle

    progress = _Progress()
    try:
        async with running(demo, progress) as line:
            await line.run()
            await settle(line.settings, progress)
    finally:
        progress.end()


async def _live(demo: "Demo", args: argparse.Namespace) -> None:
    import asyncio

    from broker_bridge.demo.show import running, settle

    progress = _Progress()
    try:
        async with running(demo, progress) as line, asyncio.TaskGroup() as group:
            work = group.create_task(line.run())
            await line.caught_up.wait()
            await settle(line.settings, progress, quiet_s=0)
            progress.end()
            _tell_what_to_try(demo, args)
            await work
            print("All boards are through; the plant stands still. Ctrl-C ends it.", flush=True)
            await asyncio.Event().wait()
    finally:
        progress.end()


def _tell_what_to_try(demo: "Demo", args: argparse.Namespace) -> None:
    from broker_bridge.demo.show import worth_a_look

    config = demo.folder / "plant.toml"
    if args.json:
        _print_json({"configuration": str(config)})
        return
    shown = worth_a_look(demo.folder / "truth.jsonl")
    bridge = _called()
    print(
        f"The invented plant runs. In a second terminal:\n\n"
        f"    cd {demo.folder}\n"
        f"    {bridge} watch   # what happens now\n"
        f"    {bridge} board {shown.panel} --position {shown.position}   # what happened to a board\n"
        f"    {bridge} check plant.toml   # is everything well?\n\n"
        f"Ctrl-C ends it; the folder stays.",
        flush=True,
    )


def _tell_what_is_left(demo: "Demo", args: argparse.Namespace) -> None:
    from broker_bridge.cli.main import main
    from broker_bridge.demo.show import worth_a_look
    from broker_bridge.queries.record import open_record

    config, record_file, truth = (demo.folder / name for name in ("plant.toml", "record.db", "truth.jsonl"))
    with open_record(f"sqlite:////{str(record_file).lstrip('/')}") as record:
        as_of = record.as_of()
    shown = worth_a_look(truth)
    if args.json:
        _print_json(
            {
                "record": str(record_file),
                "truth": str(truth),
                "configuration": str(config),
                "events": as_of.number,
                "commit": as_of.commit,
                "panel": shown.panel,
                "position": shown.position,
            }
        )
        return
    print(f"{as_of.number:,} events of invented data are in {record_file}. One board of them:\n", flush=True)
    main(["board", shown.panel, "--position", str(shown.position), "--config", str(config)])
    bridge = _called()
    print(
        f"\nTry next, in {demo.folder}:\n\n"
        f"    {bridge} board {shown.panel} --position {shown.position} --evidence\n"
        f"    {bridge} quarantine list\n"
        f"    {bridge} verify"
    )


def _print_json(left: dict[str, Any]) -> None:
    import json

    print(json.dumps(left, indent=1), flush=True)


def _called() -> str:
    """How this program is called from any folder: its name where the path leads to it, else the whole way."""
    import shutil

    here = Path(sys.executable).with_name("broker-bridge")
    known = shutil.which("broker-bridge")
    if known is not None and Path(known) == here:
        return "broker-bridge"
    if here.exists():
        return str(here)
    return f"PYTHONPATH={Path(__file__).parents[2]} {sys.executable} -m broker_bridge"


class _Progress:
    """One line on a terminal's standard error: what is being done and how far it has come."""

    def __init__(self) -> None:
        self._last = 0.0
        self._shown = False
        self._ended = not sys.stderr.isatty()

    def __call__(self, text: str, share: float | None) -> None:
        now = time.monotonic()
        if self._ended or (share is not None and now - self._last < _EVERY_S):
            return
        self._last, self._shown = now, True
        bar = "" if share is None else f" [{'#' * round(30 * share):<30}] {share:4.0%}"
        print(f"\r\x1b[K{text}{bar}", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Take the line away for good."""
        if self._shown and not self._ended:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
        self._ended = True

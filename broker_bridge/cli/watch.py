"""`watch [CONFIG]`: what goes on just now, on the whole screen or one line an event."""

import argparse
import contextlib
import sys
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from broker_bridge.config import Settings
    from broker_bridge.console.feed import Feed, Item
    from broker_bridge.live.choice import Choice
    from broker_bridge.live.hearing import Bus
    from broker_bridge.live.picture import Place

EXAMPLE: Final = """\
example: broker-bridge watch plant.toml
         broker-bridge watch plant.toml --station aoi-1 --since 10m
         broker-bridge watch plant.toml --station aoi-1 --last 10    # the last boards there, then stop
         broker-bridge watch plant.toml --type 'station.alarm_*' --plain
         broker-bridge watch plant.toml --json | head

In a terminal the stations of the line fill the screen (? tells the keys), elsewhere each event is one line.
Times are this machine's, their offset from UTC is told once. Watching changes nothing anywhere; q or Ctrl-C ends
it, also while the broker is gone.

exit codes: 0 fine, 1 not in the record, 2 usage, 3 configuration, 4 broker not reached (--once), 5 record damaged"""

_PAST: Final = "1h"
_LEAST_PAST: Final = 2_000
"""Events that a picture begins with at least, as the pages' does."""
"""What the screen begins with, so that it is not empty until something happens."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "config", type=Path, nargs="?", default=Path("plant.toml"), metavar="CONFIG",
        help="the plant's configuration file (plant.toml here)",
    )  # fmt: skip
    parser.add_argument("--line", help="only this line")
    parser.add_argument("--station", help="only this station: its boards, alarms and changes")
    parser.add_argument("--board", help="only events of the board with this identifier; * and ? are wild")
    parser.add_argument("--type", help="only events of this type; * and ? are wild: 'board.*'")
    parser.add_argument(
        "--since",
        metavar="WHEN",
        help="begin with what reached the record since: 10m, 2h, 06:00, or a date and time"
        f" (the screen: {_PAST}; lines: now)",
    )
    parser.add_argument(
        "--last",
        type=_count,
        metavar="N",
        help="print the last N boards at --station, from the record, and stop",
    )
    parser.add_argument("--once", action="store_true", help="print the stations as they are now, and stop")
    parser.add_argument("--plain", action="store_true", help="one line an event, in a terminal too")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, times in UTC")
    parser.add_argument("--utc", action="store_true", help="times in UTC")
    parser.add_argument(
        "--record", metavar="URL", help="another record than the configured one: sqlite:///path"
    )


def run(args: argparse.Namespace) -> int:
    """Watch until told to stop; 4 with --once when the broker is not reached."""
    import logging

    from broker_bridge.config import load
    from broker_bridge.console.since import instant_of
    from broker_bridge.errors import UsageError
    from broker_bridge.live.choice import Choice
    from broker_bridge.queries.record import path_of

    if args.last is not None and args.station is None:
        raise UsageError("--last tells the last boards at a station: name it with --station")
    choice = Choice(args.line, args.station, args.board, args.type)
    _check_type(choice)
    settings = load(args.config)
    url = args.record or f"sqlite:////{str(settings.record.path).lstrip('/')}"
    path_of(url)  # whether it can name a record is said before anything starts
    since = None if args.since is None else instant_of(args.since, _now(), UTC if args.utc else None)
    logging.getLogger().addHandler(logging.NullHandler())  # what the bus reports is shown where it belongs
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal may know fewer letters than a machine writes
    if args.last is not None:
        return _last(args, settings, url, choice)
    if args.once:
        return _once(args, settings, url, choice, since)
    if args.plain or args.json or not _has_screen():
        return _stream(args, settings, url, choice, since)
    return _screen(args, settings, url, choice, since)


def _last(args: argparse.Namespace, settings: "Settings", url: str, choice: "Choice") -> int:
    from broker_bridge.console.past import last_boards
    from broker_bridge.console.report import of_boards
    from broker_bridge.queries.tail import Tail

    with contextlib.closing(Tail(url)) as record:
        found = last_boards(record, choice, args.last)
    for line in of_boards(found, _clock(args), _width(), as_json=args.json):
        print(line)
    return 0


def _once(
    args: argparse.Namespace, settings: "Settings", url: str, choice: "Choice", since: datetime | None
) -> int:
    from broker_bridge.console.fullscreen import Screen
    from broker_bridge.console.report import of_view, settled
    from broker_bridge.console.since import instant_of

    screen = Screen(settings.plant.site, choice, _order(settings), _now, UTC if args.utc else None)
    begin = since or instant_of(_PAST, _now(), UTC)
    feed = _feed(settings, url, screen.put, begin, 0 if since else _LEAST_PAST)
    bus: Bus | None = _until_told(settled(feed))
    if bus is None:
        return 0
    one = choice.station is not None
    for line in of_view(screen.view(bus), _clock(args), _width(), one=one, as_json=args.json):
        print(line)
    return 0 if bus.connected else 4


def _stream(
    args: argparse.Namespace, settings: "Settings", url: str, choice: "Choice", since: datetime | None
) -> int:
    from broker_bridge.console.streaming import Streaming, Style, stream
    from broker_bridge.live.plain import clean, cut

    style = Style(
        width=_width(),
        zone=UTC if args.utc else None,
        as_json=args.json,
        lines=len({adapter.line for adapter in settings.adapters}) > 1,
    )
    streaming = Streaming(choice, style, _write, _now)
    if not args.json:
        head = f"watching {settings.plant.site}: {clean(choice.words())}; times {_clock(args).offset()}; Ctrl-C ends it"
        _write(cut(head, style.width))
    _until_told(stream(_feed(settings, url, streaming.put, since), streaming))
    return 0


def _screen(
    args: argparse.Namespace, settings: "Settings", url: str, choice: "Choice", since: datetime | None
) -> int:
    from rich.console import Console

    from broker_bridge.console.fullscreen import Screen, watch
    from broker_bridge.console.since import instant_of

    screen = Screen(settings.plant.site, choice, _order(settings), _now, UTC if args.utc else None)
    begin = since or instant_of(_PAST, _now(), UTC)
    feed = _feed(settings, url, screen.put, begin, 0 if since else _LEAST_PAST)
    console = Console(highlight=False, markup=False, emoji=False)
    keyboard = sys.stdin.fileno() if sys.stdin.isatty() else None
    _until_told(watch(feed, screen, console, keyboard))
    return 0


def _feed(
    settings: "Settings", url: str, put: "Callable[[Item], None]", since: datetime | None, least: int = 0
) -> "Feed":
    import secrets

    from broker_bridge.bootstrap import connect
    from broker_bridge.bus.topics import Topics
    from broker_bridge.console.feed import Feed
    from broker_bridge.queries.tail import Tail

    # A name of its own: with an equal one the broker would throw another watcher out.
    name = f"{settings.plant.site}-watch-{secrets.token_hex(4)}"
    return Feed(
        Topics(settings.plant.topic_root),
        connect=lambda filters: connect(settings, client_id=name, filters=filters, clean=True),
        open_record=lambda: Tail(url),
        put=put,
        clock=_now,
        since=since,
        least=least,
    )


def _until_told(what: Coroutine[Any, Any, Any]) -> Any:
    """Run until it is done or a signal comes; None after a signal."""
    import asyncio
    import signal

    async def told() -> Any:
        task = asyncio.current_task()
        assert task is not None
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            loop.add_signal_handler(number, task.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            return await what
        return None

    return asyncio.run(told())


def _order(settings: "Settings") -> "list[Place]":
    """The stations as the configuration names them."""
    order: dict[Place, None] = {}
    for adapter in settings.adapters:
        line = settings.source(adapter).rpartition("/")[0]
        machines = getattr(adapter, "machines", ())
        names = [adapter.station, *(machine.station for machine in machines)]
        order.update(((line, name), None) for name in names if name is not None)
    return list(order)


def _check_type(choice: "Choice") -> None:
    from fnmatch import fnmatchcase

    from broker_bridge.errors import UsageError
    from broker_bridge.live.words import WORDS

    if choice.type is not None and not any(fnmatchcase(name, choice.type) for name in WORDS):
        raise UsageError(
            f"--type {choice.type!r}: no type of event is called so; there are {', '.join(WORDS)}"
        )


def _has_screen() -> bool:
    import importlib.util
    import os

    able = os.environ.get("TERM", "dumb") not in ("dumb", "unknown", "")
    return sys.stdout.isatty() and able and importlib.util.find_spec("termios") is not None


def _count(text: str) -> int:
    count = int(text)
    if not 1 <= count <= 200:
        raise argparse.ArgumentTypeError(f"{count} is not from 1 to 200")
    return count


def _clock(args: argparse.Namespace) -> Any:
    from broker_bridge.live.clock import Clock

    return Clock(_now(), UTC if args.utc else None)


def _width() -> int:
    import shutil

    return max(40, shutil.get_terminal_size((80, 24)).columns)


def _now() -> datetime:
    return datetime.now(UTC)


def _write(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()

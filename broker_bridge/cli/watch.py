"""`watch`: live events, one line each, beside the machine."""

import argparse
import os
import re
import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

EXAMPLE: Final = """\
example: broker-bridge watch plant.toml
         broker-bridge watch plant.toml --station aoi --since 10m
         broker-bridge watch plant.toml --type 'inspection.*' --json | head

Times are this machine's, its offset is told once. Ctrl-C ends it; nothing is changed by watching."""

_SPAN: Final = re.compile(r"\A([0-9]+)([smhd])\Z")
_SECONDS: Final = {"s": 1, "m": 60, "h": 3600, "d": 86_400}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument(
        "config", type=Path, nargs="?", default=Path("plant.toml"), metavar="CONFIG",
        help="the plant's configuration file (plant.toml here)",
    )  # fmt: skip
    parser.add_argument("--line", help="only this line")
    parser.add_argument("--station", help="only this station")
    parser.add_argument("--board", help="only boards of this identifier; * and ? are wild")
    parser.add_argument("--type", help="only events of this type; * and ? are wild: 'board.*'")
    parser.add_argument(
        "--since", metavar="WHEN", help="begin with what was recorded since: 10m, 2h, or a time"
    )
    parser.add_argument("--utc", action="store_true", help="times in UTC")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """Watch until Ctrl-C or the reader of the output goes."""
    import asyncio

    from broker_bridge.bootstrap import connect
    from broker_bridge.bus.mqtt import Client
    from broker_bridge.bus.topics import Topics
    from broker_bridge.config import load
    from broker_bridge.console.feed import Feed
    from broker_bridge.console.streaming import Streaming, Style, stream
    from broker_bridge.live.choice import Choice
    from broker_bridge.live.clock import Clock
    from broker_bridge.queries.tail import Tail

    settings = load(args.config)
    since = None if args.since is None else _instant(args.since, _now())
    style = Style(
        width=max(40, shutil.get_terminal_size((80, 24)).columns),
        zone=UTC if args.utc else None,
        as_json=args.json,
        lines=len({adapter.line for adapter in settings.adapters}) > 1,
    )

    async def client(filters: Any) -> Client:
        return await connect(
            settings, client_id=f"{settings.plant.site}-watch-{os.getpid()}", filters=filters, clean=True
        )

    async def watch() -> None:
        choice = Choice(args.line, args.station, args.board, args.type)
        streaming = Streaming(choice, style, _write, _now)
        feed = Feed(
            Topics(settings.plant.topic_root),
            connect=client,
            open_record=lambda: Tail(f"sqlite:////{str(settings.record.path).lstrip('/')}"),
            put=streaming.put,
            clock=_now,
            since=since,
        )
        await stream(feed, streaming)

    if not args.json:
        print(
            f"watching {args.config}, times {Clock(_now(), style.zone).offset()}; Ctrl-C ends it", flush=True
        )
    asyncio.run(watch())
    return 0


def _now() -> datetime:
    return datetime.now(UTC)


def _write(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _instant(text: str, now: datetime) -> datetime:
    from broker_bridge.errors import UsageError

    span = _SPAN.match(text)
    if span is not None:
        return now - timedelta(seconds=int(span[1]) * _SECONDS[span[2]])
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"--since {text!r}: expected a span such as 90s, 10m, 2h, 1d, or a time such as 2026-03-02T06:00"
        ) from None
    return instant.astimezone(UTC)

"""`serve`: pages and an interface to call, over a record; the role `web` of `run` does the same."""

import argparse
import asyncio
import contextlib
import json
import signal
import sys
from typing import Final

from broker_bridge.cli.where import DEFAULT, record_url, where

EXAMPLE: Final = """\
example: broker-bridge serve --record sqlite:///demo/record.db
         broker-bridge serve --config plant.toml --port 8080

In a plant put "web" into `roles` instead: then `run` serves them. Over a record alone nothing can be stated or retried.
Open to this machine only, unless [web] of the configuration says otherwise.

exit codes: 0 stopped, 2 usage, 3 configuration, 4 no record"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("--host", help="address to listen at (127.0.0.1)")
    parser.add_argument("--port", type=int, help="port, 0 for any free one (8080)")
    parser.add_argument("--json", action="store_true", help="tell the address as JSON")
    where(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    import logging
    from datetime import UTC, datetime

    from broker_bridge.bootstrap import service
    from broker_bridge.config import Web, load
    from broker_bridge.garbage import spare_models
    from broker_bridge.queries.record import open_record

    logging.basicConfig(
        level=logging.WARNING, stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s"
    )
    url = record_url(args)
    settings = None if args.record is not None else load(args.config or DEFAULT)
    # A port asked for on the command line is checked as one of the configuration.
    given = {name: value for name in ("host", "port") if (value := getattr(args, name)) is not None}
    plain = settings.web if settings else Web(tokens=None)
    web = Web.model_validate(plain.model_dump() | given)
    with contextlib.suppress(Exception) if settings else contextlib.nullcontext(), open_record(url):
        pass  # a record that is not there is told now, not by every page; a plant's may still come

    def ready(address: str) -> None:
        spare_models()
        told = (
            json.dumps({"address": address}) if args.json else f"Serving {url} at {address} (Ctrl-C ends it)"
        )
        print(told, flush=True)

    async def until_told() -> None:
        task = asyncio.current_task()
        assert task is not None
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, task.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            await service()(web, url, now=lambda: datetime.now(UTC), settings=settings, ready=ready)

    asyncio.run(until_told())
    return 0

"""`run CONFIG`: run the roles which the configuration names, until told to stop."""

import argparse
import asyncio
import contextlib
import logging
import signal
import sys
from pathlib import Path

EXAMPLE = """\
example: broker-bridge run plant.toml
         broker-bridge run plant.toml --roles edge

Stop it with Ctrl-C or a termination signal: what was taken in is safe on disk at any moment. Outlets, pages and figures that
cannot start are told at once and tried again every minute; they end nothing that records."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLE
    parser.add_argument("config", type=Path, metavar="CONFIG", help="the plant's configuration file (TOML)")
    parser.add_argument(
        "--roles",
        type=lambda text: tuple(text.split(",")),
        metavar="ROLE,...",
        help="run these instead: broker, edge, recorder, projector, outlets, web",
    )
    parser.add_argument("--json", action="store_true", help="log as JSON lines")
    parser.add_argument("--verbose", action="store_true", help="log more")


def run(args: argparse.Namespace) -> int:
    """Run until a signal comes; 0 after a clean stop."""
    from broker_bridge.bootstrap import run_roles
    from broker_bridge.cli.service import Service
    from broker_bridge.config import ROLES, load
    from broker_bridge.errors import UsageError
    from broker_bridge.garbage import spare_models
    from broker_bridge.health.starting import hindrances

    _log_to_stderr(as_json=args.json, verbose=args.verbose)
    settings = load(args.config)
    roles = args.roles or settings.roles
    unknown = [role for role in roles if role not in ROLES]
    if unknown:
        raise UsageError(f"--roles: {unknown[0]!r} is no role; choose from {', '.join(ROLES)}")

    for finding in hindrances(settings, roles):
        logging.getLogger(__name__).error("%s: %s: %s", finding.subject, finding.text, finding.advice)

    async def until_told() -> None:
        task = asyncio.current_task()
        assert task is not None
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
        service = Service(roles)

        def started(role: str) -> None:
            logging.getLogger(__name__).info("%s: started", role)
            service.started(role)

        signs = asyncio.create_task(service.live(), name="signs of life")
        try:
            with contextlib.suppress(asyncio.CancelledError):
                await run_roles(settings, roles, started, refused=service.refused)
        finally:
            service.stopping()
            signs.cancel()

    spare_models()
    asyncio.run(until_told())
    return 0


def _log_to_stderr(*, as_json: bool, verbose: bool) -> None:
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        _JsonLines() if as_json else logging.Formatter("%(asctime)s %(levelname)s %(message)s")
    )
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler], force=True)


class _JsonLines(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        import orjson

        line = {
            "time": self.formatTime(record, "%Y-%m-%dT%H:%M:%S"),
            "level": record.levelname.lower(),
            "where": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return orjson.dumps(line).decode()

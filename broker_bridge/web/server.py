"""The service as a role: an application on a socket of its own, in the event loop of whoever runs it."""

import asyncio
import contextlib
import ipaddress
import logging
import os
import socket
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import uvicorn

from broker_bridge.config import Settings, Web
from broker_bridge.errors import ConfigError
from broker_bridge.queries.record import open_record
from broker_bridge.web.access import read_table
from broker_bridge.web.apart import Answerers
from broker_bridge.web.app import create_app
from broker_bridge.web.connection import Connection
from broker_bridge.web.jobs import Jobs
from broker_bridge.web.records import Records
from broker_bridge.web.sessions import Sessions
from broker_bridge.web.site import Site
from broker_bridge.web.stations import Stations

log = logging.getLogger(__name__)

_DRAIN_S = 3
_PROCESSES = 4


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals are for whoever runs the roles."""
        yield


async def serve(
    web: Web,
    url: str,
    *,
    now: Callable[[], datetime],
    settings: Settings | None = None,
    ready: Callable[[str], None] = log.info,
) -> None:
    """Serve a record until cancelled; `ready` is told the address. Raises ConfigError where that cannot be."""
    tokens = web.tokens
    check(web, tokens)
    held = _socket(web.host, web.port)
    try:
        port = held.getsockname()[1]
        site = Site(
            records=Records(url, time.monotonic),
            stations=Stations(url, _order(settings), now),
            sessions=Sessions(time.monotonic),
            jobs=Jobs(lambda: open_record(url)),
            now=time.monotonic,
            tokens=tokens,
            settings=settings,
            secure=web.cert_file is not None,
        )
        site.table()  # whether there are tokens is known from the start
        names = {web.host.lower(), "localhost", *(name.lower() for name in web.names)}
        setup = {"url": url, "tokens": str(tokens.absolute()) if tokens else None}
        count = min(_PROCESSES, os.cpu_count() or 1) if web.processes is None else web.processes
        answerers = Answerers(count, setup) if count else None
        app = create_app(site, names=names, requests_per_minute=web.requests_per_minute, answerers=answerers)
        config = uvicorn.Config(
            app, log_config=None, access_log=False, server_header=False, date_header=True, lifespan="on",
            timeout_graceful_shutdown=_DRAIN_S, proxy_headers=False, h11_max_incomplete_event_size=64_000,
            limit_concurrency=1000, timeout_keep_alive=15, http=Connection,
            ssl_certfile=str(web.cert_file) if web.cert_file else None, ssl_keyfile=str(web.key_file) if web.key_file else None,
        )  # fmt: skip
        server = _Server(config)
        serving = asyncio.create_task(server.serve(sockets=[held]), name="web")
        ready(
            f"{'https' if site.secure else 'http'}://{'[' + web.host + ']' if ':' in web.host else web.host}:{port}/"
        )
        try:
            await asyncio.shield(serving)
        except asyncio.CancelledError:
            server.should_exit = True
            await serving
            raise
    finally:
        held.close()


def check(web: Web, tokens: Path | None) -> None:
    """Raise ConfigError where strangers could read or listen."""
    table = read_table(tokens) if tokens is not None else {}
    if _is_here(web.host):
        return
    if not table:
        raise ConfigError(
            f"[web] host = {web.host!r} is open to the network, and nobody has a token: `broker-bridge tokens add NAME` first"
        )
    if web.cert_file is None and not web.plain_http:
        raise ConfigError(
            f"[web] host = {web.host!r} is open to the network without TLS, and tokens would be read along: give cert_file"
            " and key_file, or say plain_http = true where a proxy before it speaks TLS"
        )


def _is_here(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _socket(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        # Named TCP, so that asyncio lets answers go without delay: head and body are two writes, and the second would wait 40 ms
        # for the client's acknowledgement of the first.
        held = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            held.bind((host, port))
            held.listen(128)  # whoever is told the address may call at once
        except BaseException:
            held.close()
            raise
    except OSError as error:
        raise ConfigError(f"[web] {host}:{port}: {error.strerror}") from error
    held.setblocking(False)
    return held


def _order(settings: Settings | None) -> list[tuple[str, str]]:
    """The stations as the configuration names them."""
    from broker_bridge.config import TransferAdapter

    found: list[tuple[str, str]] = []
    for adapter in settings.adapters if settings else ():
        line = f"/{settings.plant.site}/{adapter.area}/{adapter.line}" if settings else ""
        stations = (
            [m.station for m in adapter.machines]
            if isinstance(adapter, TransferAdapter)
            else [adapter.station]
        )
        found += [(line, station) for station in stations if station and (line, station) not in found]
    return found

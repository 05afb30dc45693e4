"""The few lines of HTTP that `/metrics`, `/live` and `/ready` need. GET only, one request a connection, small limits."""

import asyncio
import json
import logging
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from broker_bridge.config import Settings
from broker_bridge.errors import ConfigError
from broker_bridge.outlets.metrics.commits import CommitTimes
from broker_bridge.outlets.metrics.condition import problems
from broker_bridge.outlets.metrics.exposition import CONTENT_TYPE, text
from broker_bridge.outlets.metrics.figures import Figures

log = logging.getLogger(__name__)

_HEAD: Final = 8192
_PATIENCE_S: Final = 5.0
_AT_ONCE: Final = 16

Answer = tuple[int, str, bytes]
"""Status, content type, body."""


async def serve(
    settings: Settings,
    roles: Sequence[str],
    started: Sequence[str],
    times: CommitTimes,
    troubles: Callable[[], Sequence[str]],
    ready: Callable[[str, int], None] | None = None,
) -> None:
    """Answer until cancelled. `started` grows as roles start; `troubles` tells which of them do not reach the broker;
    `ready` is told host and port.

    Raises ConfigError where the address cannot be had.
    """
    assert settings.metrics is not None
    host, port = settings.metrics.host, settings.metrics.port
    figures = Figures(settings, roles, times)
    reading = asyncio.Lock()
    under_way = 0

    async def answer(path: str) -> Answer:
        if path == "/live":
            # The loop turns, or nobody would answer; a role that ends takes the process with it.
            return 200, "application/json", b'{"live": true}\n'
        if path == "/ready":
            async with reading:
                found = [*troubles(), *await asyncio.to_thread(problems, settings, roles, list(started))]
            body = (
                json.dumps({"ready": not found, "roles": list(started), "problems": found}, indent=1) + "\n"
            )
            return 503 if found else 200, "application/json", body.encode()
        if path == "/metrics":
            async with reading:
                families = await asyncio.to_thread(figures.read)
            return 200, CONTENT_TYPE, text(families).encode()
        return 404, "text/plain; charset=utf-8", b"there are /metrics, /live and /ready\n"

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal under_way
        under_way += 1
        try:
            with suppress(
                TimeoutError, ConnectionError, asyncio.IncompleteReadError, asyncio.LimitOverrunError
            ):
                if under_way <= _AT_ONCE:
                    async with asyncio.timeout(_PATIENCE_S):
                        head = await reader.readuntil(b"\r\n\r\n")
                    words = head.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
                    if len(words) != 3 or words[0] not in ("GET", "HEAD"):
                        status, kind, body = 405, "text/plain; charset=utf-8", b"GET only\n"
                    else:
                        status, kind, body = await answer(words[1].partition("?")[0])
                    lines = (
                        f"HTTP/1.1 {status} {_WORDS[status]}", f"content-type: {kind}", f"content-length: {len(body)}",
                        "cache-control: no-store", "connection: close", "", "",
                    )  # fmt: skip
                    writer.write("\r\n".join(lines).encode() + (b"" if words[0] == "HEAD" else body))
                    async with asyncio.timeout(_PATIENCE_S):
                        await writer.drain()
        finally:
            under_way -= 1
            writer.close()

    try:
        server = await asyncio.start_server(talk, host, port, limit=_HEAD)
    except OSError as error:
        figures.close()
        raise ConfigError(f"metrics.host, metrics.port = {host}, {port}: {error.strerror}") from error
    try:
        at = server.sockets[0].getsockname()[1]
        log.info("metrics and health at http://%s:%d/metrics, /live, /ready", host, at)
        if ready is not None:
            ready(host, at)
        await asyncio.Event().wait()
    finally:
        server.close()
        async with reading:
            figures.close()


_WORDS: Final = {200: "OK", 404: "Not Found", 405: "Method Not Allowed", 503: "Service Unavailable"}

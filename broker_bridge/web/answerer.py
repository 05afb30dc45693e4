"""A process beside the service that answers what module apart hands on: requests come in as frames, answers go out.

It writes nothing, listens to nobody else, and ends with its standard input.
"""

import asyncio
import contextlib
import fcntl
import os
import signal
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

from broker_bridge.garbage import spare_models
from broker_bridge.queries.record import open_record
from broker_bridge.web.access import User
from broker_bridge.web.app import plain_app
from broker_bridge.web.frames import PREFIX, Frame, lengths, packed, unpacked
from broker_bridge.web.guard import App, Message
from broker_bridge.web.jobs import Jobs
from broker_bridge.web.pages.frame import prepare
from broker_bridge.web.records import Records
from broker_bridge.web.sessions import Session, Sessions
from broker_bridge.web.site import Site
from broker_bridge.web.stations import Stations

_PIPE: Final = 2**20
"""Bytes an answer may have to go out at once: with the usual 64 kB the service would have to fetch a long one in pieces."""


class _Handed(Sessions):
    """The session of the request that is being answered: the service has looked for it already."""

    current: Session | None = None

    def of(self, session: str) -> Session | None:
        return self.current


def _read(incoming: IO[bytes]) -> Frame | None:
    prefix = incoming.read(PREFIX)
    if len(prefix) < PREFIX:
        return None
    head, body = lengths(prefix)
    return unpacked(incoming.read(head), incoming.read(body))


async def _answer(app: App, sessions: _Handed, records: Records, frame: Frame) -> Frame:
    asked = frame.head
    user = asked["session"]
    sessions.current = Session(User(*user[:2]), user[2], 0.0) if user else None
    records.note = asked["note"]
    scope: dict[str, Any] = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "method": asked["method"],
        "path": asked["path"], "raw_path": asked["path"].encode(), "root_path": "",
        "query_string": asked["query"].encode("latin-1"),
        "headers": [(n.encode("latin-1"), v.encode("latin-1")) for n, v in asked["headers"]],
        "client": None, "server": None,
    }  # fmt: skip
    head: dict[str, Any] = {}
    body = bytearray()

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            head["status"] = message["status"]
            head["headers"] = [(n.decode("latin-1"), v.decode("latin-1")) for n, v in message["headers"]]
        else:
            body.extend(message.get("body", b""))

    try:
        await app(scope, receive, send)
    except Exception:
        if not head:  # what nobody foresaw is answered, logged, and raised once more
            raise
    return Frame(head, bytes(body))


async def _prepare(app: App, sessions: _Handed, records: Records) -> None:
    """Do once what would make the first answers late."""
    prepare("board.html", "why_part.html", "choose.html")
    asked: dict[str, Any] = {
        "method": "GET",
        "path": "/board",
        "query": "",
        "headers": [],
        "session": None,
        "note": None,
    }
    await _answer(app, sessions, records, Frame(asked))  # refused, but by way of all routes


async def _serve(incoming: IO[bytes], outgoing: IO[bytes]) -> None:
    def tell(frame: Frame) -> None:
        outgoing.write(packed(frame))
        outgoing.flush()

    setup = await asyncio.to_thread(_read, incoming)
    if setup is None:
        return
    url, tokens = setup.head["url"], setup.head["tokens"]
    sessions, records = _Handed(time.monotonic), Records(url, time.monotonic, follow=False)
    now: Callable[[], datetime] = lambda: datetime.now(UTC)  # noqa: E731
    site = Site(
        records=records, stations=Stations(url, [], now), sessions=sessions, jobs=Jobs(lambda: open_record(url)),
        now=time.monotonic, tokens=Path(tokens) if tokens else None,
    )  # fmt: skip
    app = plain_app(site)
    await _prepare(app, sessions, records)
    spare_models()
    tell(Frame({}))
    while (frame := await asyncio.to_thread(_read, incoming)) is not None:
        tell(await _answer(app, sessions, records, frame))
    records.close()


def main() -> None:
    """Answer until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # it is for the service, which ends this process
    outgoing = os.fdopen(os.dup(1), "wb")
    with contextlib.suppress(OSError, AttributeError):  # Linux alone has it
        fcntl.fcntl(outgoing, fcntl.F_SETPIPE_SZ, _PIPE)
    os.dup2(2, 1)  # whatever prints does not print into answers
    asyncio.run(_serve(sys.stdin.buffer, outgoing))


if __name__ == "__main__":
    main()

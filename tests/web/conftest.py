"""A record that is asked over HTTP: a short line of the invented plant, and a few boards told by hand."""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from told import Told, at, board, call, record, verdict

from broker_bridge.config import Settings, Web
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.web.access import added, write_table
from broker_bridge.web.server import serve

HOSTILE = '<script>alert("x")</script>\u202e\x07'
"""An identifier that must never become markup, turn a line around or ring a bell."""


def line() -> Told:
    """Two boards with a defect each, one hostile, one held; a rejected record; a declared line."""
    told = Told()
    told.say(
        "line.declared", "07:00:00", source="plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in ("print", "aoi", "test")],
    )  # fmt: skip
    for number, serial in enumerate(("A", "B", HOSTILE)):
        told.passes("print", f"08:0{number}:00", f"08:0{number}:30", board(serial), order="WO-1")
    told.inspects(
        "aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("R1"), call(HOSTILE)]
    )
    told.say(
        "inspection.reviewed", "09:10:00", board("A"), station="desk", inspected_at="aoi", inspected="09:00:00",
        verdicts=[verdict("R1", "confirmed", defect="short")],
    )  # fmt: skip
    told.inspects(
        "aoi", "09:02:00", "09:02:20", board(HOSTILE), outcome="failed", calls=[call(HOSTILE, HOSTILE)]
    )
    told.say("board.held", "10:00:00", board("B"), hold="H-1", reason=HOSTILE)
    told.say(
        "source.rejected", "10:30:00", station="aoi", source="aoi", code="unmapped", reason=f"no rule for {HOSTILE}",
        place="column 3", value=HOSTILE,
    )  # fmt: skip
    return told


@pytest.fixture(scope="session")
def told_record(tmp_path_factory: pytest.TempPathFactory) -> str:
    """URL of a record of `line`."""
    path = tmp_path_factory.mktemp("web") / "record.db"

    async def write() -> None:
        store = await SqliteStore.open(path, "harbour-works")
        try:
            await record(store, line().facts)
        finally:
            await store.close()

    asyncio.run(write())
    return f"sqlite:////{str(path).lstrip('/')}"


Opened = Callable[..., httpx.Client]
Tokens = tuple[Path, str, str]
"""A table of tokens, and the tokens of a reader and an operator."""


class Running:
    """A service of its own event loop, in a thread, on a real socket."""

    def __init__(self, web: Web, url: str, settings: Settings | None) -> None:
        self._loop = asyncio.new_event_loop()
        told: Future[str] = Future()

        async def run() -> None:
            try:
                await serve(web, url, now=lambda: datetime.now(UTC), settings=settings, ready=told.set_result)
            except Exception as error:
                told.set_exception(error)

        self._task = self._loop.create_task(run())
        self._thread = threading.Thread(target=self._turn)
        self._thread.start()
        self.address = told.result(30)

    def _turn(self) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._task)
        self._loop.close()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(30)
        assert not self._thread.is_alive()


@pytest.fixture(scope="session")
def _services() -> Iterator[Opened]:
    with contextlib.ExitStack() as stack:

        def open_(
            url: str,
            *,
            tokens: Path | None = None,
            settings: Settings | None = None,
            per_minute: int = 100_000,
            processes: int = 0,
        ) -> httpx.Client:
            web = Web(port=0, tokens=tokens, requests_per_minute=per_minute, processes=processes)
            running = Running(web, url, settings)
            stack.callback(running.stop)
            return stack.enter_context(httpx.Client(base_url=running.address, timeout=30))

        yield open_


@pytest.fixture(scope="session")
def service(_services: Opened) -> Opened:
    """Opens a service over a record, on a real socket."""
    return _services


@pytest.fixture(scope="session")
def asked(service: Opened, told_record: str) -> httpx.Client:
    """A service that anybody may read."""
    return service(told_record)


@pytest.fixture
def tokens(tmp_path: Path) -> Tokens:
    """A table of tokens, and the tokens of a reader and an operator."""
    table, read = added({}, "mes", "read")
    table, operate = added(table, "qe-02", "operate")
    path = tmp_path / "tokens.json"
    write_table(path, table)
    return path, read, operate


def bearer(token: str) -> dict[str, str]:
    """The header that gives a token."""
    return {"authorization": f"Bearer {token}"}


def ok(response: httpx.Response) -> dict[str, object]:
    """The body of an answer that came."""
    assert response.status_code == 200, response.text
    body: dict[str, object] = response.json()
    return body

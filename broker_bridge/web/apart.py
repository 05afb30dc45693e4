"""Histories are put together apart, in processes of their own beside the service.

One process of Python runs one thread at a time. A history takes tens of milliseconds of a processor: in the service's own
process everything else would wait that long, other readers, live pages, and who records where one process has all roles.
"""

import asyncio
import logging
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

import broker_bridge
from broker_bridge.errors import BridgeError
from broker_bridge.web.frames import PREFIX, Frame, lengths, packed, unpacked
from broker_bridge.web.guard import App, Receive, Scope, Send
from broker_bridge.web.problems import Problem
from broker_bridge.web.records import Records
from broker_bridge.web.site import SAFE, may_read, session_of

log = logging.getLogger(__name__)

REPORT: Final = "/api/v1/board/report"
"""As PDF it takes seconds: one at a time, so that the others have a process left."""
PATHS: Final = frozenset(
    {
        "/board", "/board/why", "/scan",
        "/api/v1/board", "/api/v1/board/why", "/api/v1/board/word", REPORT,
    }
)  # fmt: skip
"""What is answered there: it reads the record and nothing else, and puts histories together."""
_HEADERS: Final = frozenset({b"accept", b"authorization", b"cookie", b"host", b"if-none-match"})
_WAITING: Final = 200
_HELD: Final = 2**20
"""Bytes of an answer that wait for its rest before the process is told to wait."""
_SOON_S: Final = 20.0
"""A history takes tens of milliseconds, the longest some seconds."""
_LONG_S: Final = 60.0
_TURN_S: Final = 20.0
_AGAIN_S: Final = 2.0


class _Answerer:
    """One process. It answers one request at a time."""

    def __init__(self, process: Process) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._process, self._out, self._in = process, process.stdin, process.stdout

    @property
    def ended(self) -> bool:
        return self._process.returncode is not None

    def end(self) -> None:
        if not self.ended:
            self._process.kill()

    async def ask(self, frame: Frame) -> Frame:
        """Its answer. Raises OSError, IncompleteReadError where the process is gone."""
        self._out.write(packed(frame))
        await self._out.drain()
        head, body = lengths(await self._in.readexactly(PREFIX))
        return unpacked(await self._in.readexactly(head), await self._in.readexactly(body))


class Answerers:
    """So many processes over a record; `setup` is what each is told first (module answerer)."""

    def __init__(self, count: int, setup: dict[str, Any]) -> None:
        self._count, self._setup = count, Frame(setup)
        self._free: asyncio.LifoQueue[_Answerer] = asyncio.LifoQueue()
        self._waiting = 0
        self.ready = 0
        """How many can be asked now."""

    async def run(self) -> None:
        """Keep them running until cancelled."""
        async with asyncio.TaskGroup() as group:
            for _ in range(self._count):
                group.create_task(self._keep())

    async def ask(self, frame: Frame, patience_s: float) -> Frame:
        """What one of them answers. Raises Problem where none does."""
        if self._waiting >= _WAITING:
            raise Problem(503, "too many ask at once: try again", headers={"Retry-After": "5"})
        end = asyncio.get_running_loop().time() + patience_s
        answerer = None
        self._waiting += 1
        try:
            async with asyncio.timeout_at(end):
                while answerer is None or answerer.ended:
                    answerer = await self._free.get()
        except TimeoutError:
            raise _late(patience_s) from None
        finally:
            self._waiting -= 1
        return await _to_its_end(self._asked(answerer, frame, end, patience_s))

    async def _asked(self, answerer: _Answerer, frame: Frame, end: float, patience_s: float) -> Frame:
        try:
            async with asyncio.timeout_at(end):
                told = await answerer.ask(frame)
        except (OSError, asyncio.IncompleteReadError) as error:
            answerer.end()
            if isinstance(error, TimeoutError):
                raise _late(patience_s) from None
            why = "the process that put the answer together ended: try again"
            raise Problem(503, why, headers={"Retry-After": "2"}) from None
        self._free.put_nowait(answerer)
        return told

    async def _keep(self) -> None:
        paths = [str(Path(broker_bridge.__file__).resolve().parents[1]), os.environ.get("PYTHONPATH", "")]
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))}
        while True:
            process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-P",
                "-m",
                "broker_bridge.web.answerer",
                stdin=PIPE,
                stdout=PIPE,
                limit=_HELD,
                env=environment,
            )
            answerer = _Answerer(process)
            try:
                await answerer.ask(self._setup)
                self._free.put_nowait(answerer)
                self.ready += 1
                try:
                    await process.wait()
                finally:
                    self.ready -= 1
            except (OSError, asyncio.IncompleteReadError):
                pass  # it ended: told below
            finally:
                answerer.end()
                await process.wait()
            log.warning("a process that answers readers ended (%s); another is started", process.returncode)
            await asyncio.sleep(_AGAIN_S)


async def _to_its_end(asking: Coroutine[Any, Any, Frame], then: Callable[[], object] = lambda: None) -> Frame:
    """What it gives. Whoever does not wait any more leaves it to end by itself: the process is free again only then."""
    task = asyncio.ensure_future(asking)

    def done(ended: asyncio.Task[Frame]) -> None:
        then()
        if not ended.cancelled():
            ended.exception()  # perhaps nobody else looks at it

    task.add_done_callback(done)
    return await asyncio.shield(task)


def _late(patience_s: float) -> Problem:
    return Problem(503, f"no answer within {patience_s:.0f} s", headers={"Retry-After": "10"})


class Apart:
    """Wraps an application and hands on what is answered apart; until a process is ready the application answers itself.

    `told` makes an answer of a problem.
    """

    def __init__(
        self,
        app: App,
        *,
        answerers: Answerers,
        records: Records,
        told: Callable[[Request, Problem], Response],
    ) -> None:
        self._app, self._answerers, self._records, self._told = app, answerers, records, told
        self._laying_out = asyncio.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI 3."""
        if (
            scope["type"] != "http"
            or scope["path"] not in PATHS
            or scope["method"] not in SAFE
            or not self._answerers.ready
        ):
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        if not may_read(request):
            await self._app(scope, receive, send)  # it tells why not
            return
        try:
            note = await asyncio.to_thread(self._records.keep_up)
        except BridgeError:
            await self._app(scope, receive, send)  # it tells why
            return
        asking = asyncio.ensure_future(self._answer(request, _asked(request, note)))
        leaving = asyncio.ensure_future(_left(receive))
        try:
            await asyncio.wait({asking, leaving}, return_when=asyncio.FIRST_COMPLETED)
            if asking.done():
                await asking.result()(scope, receive, send)
        finally:
            for task in (asking, leaving):
                task.cancel()
            await asyncio.gather(asking, leaving, return_exceptions=True)

    async def _answer(self, request: Request, frame: Frame) -> Response:
        try:
            if request.url.path != REPORT or request.query_params.get("form") != "pdf":
                return _response(await self._answerers.ask(frame, _SOON_S))
            async with asyncio.timeout(_TURN_S):
                await self._laying_out.acquire()
            return _response(await _to_its_end(self._answerers.ask(frame, _LONG_S), self._laying_out.release))
        except TimeoutError:
            why = "another report is being laid out: try again"
            return self._told(request, Problem(503, why, headers={"Retry-After": "10"}))
        except Problem as problem:
            return self._told(request, problem)


async def _left(receive: Receive) -> None:
    """Ends when nobody waits for the answer any more."""
    while (await receive())["type"] != "http.disconnect":
        pass


def _asked(request: Request, note: str | None) -> Frame:
    session = session_of(request)
    return Frame(
        {
            "method": request.method,
            "path": request.url.path,
            "query": request.scope["query_string"].decode("latin-1"),
            "headers": [
                (name.decode("latin-1"), value.decode("latin-1"))
                for name, value in request.headers.raw
                if name in _HEADERS
            ],
            "session": session and [*session.user, session.form],
            "note": note,
        }
    )


def _response(told: Frame) -> Response:
    answer = Response(told.body, told.head["status"])
    answer.raw_headers = [(n.encode("latin-1"), v.encode("latin-1")) for n, v in told.head["headers"]]
    return answer

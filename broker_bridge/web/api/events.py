"""Events as they were recorded, page by page, and as they come."""

import asyncio
import contextlib
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from typing import Annotated, Any, Final

import orjson
from fastapi import APIRouter, Header, Query, Request
from starlette.responses import Response, StreamingResponse

from broker_bridge.live.choice import Choice
from broker_bridge.live.told import Told
from broker_bridge.web.answers import tagged
from broker_bridge.web.api.shapes import EXAMPLES, PROBLEM, formed, listed
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Here, Reader, Reading, may_read
from broker_bridge.web.stations import MARK, Live, Mark

router = APIRouter(tags=["events"])

_BEAT_S: Final = 15.0
_LISTENERS: Final = 200


_EVENT: Final = {
    "type": "object", "required": ["number", "commit", "event"],
    "properties": {"number": {"type": "integer"}, "commit": {"type": "integer"}, "event": {"type": "object", "required": ["id", "source", "type"]}},
}  # fmt: skip


@router.get(
    "/events", summary="Events page by page", response_model=None,
    responses=formed(listed("events", _EVENT, next={"type": "string"}), EXAMPLES["events"]) | {
        410: {"description": "the record was restored or begun anew since", **PROBLEM},
    },
)  # fmt: skip
def page(
    request: Request, record: Reading, user: Reader,
    after: Annotated[str, Query(pattern=MARK, description="`next` of the page before; 0 begins with the first")] = "0",
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> Response:  # fmt: skip
    """The events behind a place, in order of the record, each byte for byte as it was received (CloudEvents 1.0). Follow
    `next` until a page is empty: nothing is skipped and nothing comes twice, however much is recorded meanwhile. Where the
    record was restored since (410), begin again with 0: an event's source and id tell what you have."""
    head, asked = record.reader.head(), Mark.read(after)
    if asked.incarnation not in (0, head.incarnation) or asked.number > head.number:
        raise Problem(
            410,
            f"{after} is no place in this record, which ends at {head.incarnation}.{head.number}: it was restored, moved or"
            " begun anew since; begin again with after=0, source and id tell what you have",
        )
    facts = record.reader.after(asked.number, limit)
    bodies = [record.reader.body(fact.number) for fact in facts]
    last = Mark(head.incarnation, facts[-1].number if facts else asked.number)
    told = b",".join(
        b'{"number":%d,"commit":%d,"event":%s}' % (fact.number, fact.commit, body)
        for fact, body in zip(facts, bodies, strict=True)
    )
    return tagged(request, b'{"events":[%s],"next":"%s"}' % (told, str(last).encode()), "application/json")


@router.get(
    "/live", summary="Events as they come (server-sent events)", response_model=None, response_class=Response,
    responses={
        200: {"description": "one message an event", "content": {"text/event-stream": {"schema": {"type": "string"}}}},
        410: {"description": "what came since is no longer kept here", **PROBLEM},
    },
)  # fmt: skip
async def live(
    request: Request, site: Here, user: Reader,
    line: Annotated[str | None, Query(max_length=512)] = None,
    station: Annotated[str | None, Query(max_length=512)] = None,
    board: Annotated[str | None, Query(max_length=512, description="* and ? are wild")] = None,
    type: Annotated[str | None, Query(max_length=512, description="* and ? are wild", examples=["board.*"])] = None,
    last_event_id: Annotated[str | None, Header(pattern=MARK)] = None,
) -> Response:  # fmt: skip
    """One message an event in words, its `id` the event's place in the record. Coming back with Last-Event-ID, what was missed
    comes first; too long away (410), read it from /events."""
    if site.stations.listeners >= _LISTENERS:
        raise Problem(503, f"{_LISTENERS} listen already", headers={"Retry-After": "30"})
    after = None if last_event_id is None else Mark.read(last_event_id)
    if after is not None and not site.stations.holds(after):
        raise Problem(
            410,
            f"what came behind event {after} is no longer kept here: read it from /api/v1/events?after={after}",
        )
    choice = Choice(line, station, board, type)
    return StreamingResponse(
        _messages(site.stations.listen(after), choice, lambda: may_read(request)), media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )  # fmt: skip


async def _messages(
    events: AsyncGenerator[Live], choice: Choice, may: Callable[[], bool]
) -> AsyncIterator[bytes]:
    yield b"retry: 3000\n\n"
    coming: asyncio.Task[Live] | None = None
    try:
        while True:
            coming = coming or asyncio.ensure_future(anext(events))
            done, _ = await asyncio.wait({coming}, timeout=_BEAT_S)
            if not may():
                return  # the token was taken away meanwhile
            if not done:
                yield b": nothing new\n\n"
                continue
            try:
                one = coming.result()
            except StopAsyncIteration:
                yield b"event: gap\ndata: {}\n\n"
                return
            finally:
                coming = None
            if choice.takes(one.told):
                yield b"id: %s\nevent: told\ndata: %s\n\n" % (
                    str(one.mark).encode(),
                    orjson.dumps(said(one.told)),
                )
    finally:
        if coming is not None:
            coming.cancel()
            with contextlib.suppress(asyncio.CancelledError, StopAsyncIteration):
                await coming
        await events.aclose()


def said(told: Told) -> dict[str, Any]:
    """An event in words."""
    return {
        "time": told.at.isoformat().replace("+00:00", "Z"), "line": told.line, "station": told.station, "type": told.type,
        "board": told.label, "text": told.text, "source": told.source, "id": told.id,
    }  # fmt: skip


__all__ = ["router", "said"]

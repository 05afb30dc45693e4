"""What is printed once: the stations as they are now, and the last boards at one."""

import asyncio
import contextlib
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.console.feed import Feed
from broker_bridge.console.past import Past
from broker_bridge.console.screen import Line, alarm_lines, boards, rows, stations
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus
from broker_bridge.live.passages import Visit
from broker_bridge.live.picture import View
from broker_bridge.live.plain import cut

REACH_S: Final = 5.0
LISTEN_S: Final = 1.5
"""Kept states come at once; after this long without more that was all."""


async def settled(feed: Feed) -> Bus:
    """Feed until the record is read and the kept states are there; how the connection was then."""
    feeding = asyncio.create_task(feed.run(), name="watch feed")
    try:
        for step, longest in ((feed.caught_up, None), (feed.subscribed, REACH_S)):
            waiting = asyncio.create_task(step.wait(), name="watch feed")
            await asyncio.wait((waiting, feeding), timeout=longest, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            if feeding.done():
                await feeding
        if feed.subscribed.is_set():
            await asyncio.wait((feeding,), timeout=LISTEN_S)
        return feed.bus()
    finally:
        feeding.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await feeding


def of_view(view: View, clock: Clock, width: int, *, one: bool, as_json: bool) -> Iterator[str]:
    """The stations as they are now, line by line; with `one`, everything about them."""
    if as_json:
        yield _json(_view_object(view, clock))
        return
    yield f"times {clock.offset()}, now {clock.time(clock.now)}"
    for trouble in view.troubles:
        yield f"{'!' if trouble.grave else '-'} {trouble.text}"
    shown = stations(view, clock, width) if one else rows(view, clock, width)
    if view.alarms and not one:
        shown += [Line("  alarms"), *alarm_lines(view.alarms, clock, width)]
    for line in shown:
        yield cut(line.text, width).rstrip()


def of_boards(found: Sequence[Past], clock: Clock, width: int, *, as_json: bool) -> Iterator[str]:
    """The last boards at a station, line by line."""
    for past in found:
        if as_json:
            place = {"kind": "visit", "line": past.line, "station": past.station}
            yield from (_json({**place, **_visit(visit)}) for visit in past.visits)
            continue
        yield f"{past.station} in {past.line.rpartition('/')[2]}, newest first; times {clock.offset()}"
        for line in boards(past.visits, clock, width):
            yield cut(line.text, width).rstrip()
        if not past.whole and past.back_to is not None:
            yield f"  looked back to {clock.time(past.back_to)} only"


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, default=_text)


def _text(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    raise TypeError(f"{value!r} has no JSON form")


def _view_object(view: View, clock: Clock) -> dict[str, Any]:
    return {
        "kind": "picture",
        "time": clock.now,
        "troubles": [trouble._asdict() for trouble in view.troubles],
        "stations": [
            {
                "line": line,
                "station": row.station.name,
                "state": row.state,
                "said": row.station.said and row.station.said._asdict(),
                "why": row.why or None,
                "here": [board._asdict() for board in row.station.here],
                "heard": row.station.heard,
                "visits": [_visit(visit) for visit in row.station.visits[-20:]],
                "gaps": [gap._asdict() for gap in row.station.gaps],
            }
            for line, rows_ in view.lines
            for row in rows_
        ],
        "alarms": [alarm._asdict() for alarm in view.alarms],
        "sources": [{**source._asdict(), "heard": view.heard.get(source.source)} for source in view.sources],
    }


def _visit(visit: Visit) -> dict[str, Any]:
    return {
        "board": visit.label or None,
        "arrived": visit.arrived,
        "departed": visit.departed,
        "done": visit.done,
        "results": visit.results,
        "told_by": visit.source,
    }

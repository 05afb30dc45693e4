"""Where a board is now, as far as its history tells."""

from datetime import datetime
from typing import Final

from broker_bridge.trace.history import History
from broker_bridge.trace.value import Value

_ENDED: Final = {"scrap": "scrapped", "return": "returned"}


class Whereabouts(Value):
    """Its state, and where it was last seen."""

    state: str
    """in_process, held, shipped, scrapped or returned"""
    station: str | None
    """Where it was seen last; None: nowhere."""
    there: bool
    """Whether nothing shows that it has left there."""
    since: datetime | None
    """Since when it is in the state: when it came there or was last seen there, was held, shipped, scrapped."""


def whereabouts(history: History) -> Whereabouts:
    """The last thing that is known of it."""
    last = history.route[-1] if history.route else None
    station = last.station if last else None
    there = last is not None and last.departed is None
    seen = None if last is None else last.departed or last.arrived
    gone = [
        d
        for d in history.decisions
        if d.type == "board.shipped" or (d.type == "board.dispositioned" and d.what in _ENDED)
    ]
    if gone:
        end = gone[-1]
        back = last is not None and last.arrived > end.time
        if not back:
            return Whereabouts(_ENDED.get(end.what or "", "shipped"), station, False, end.time)
    if history.held:
        return Whereabouts("held", station, there, history.held[0].time)
    return Whereabouts("in_process", station, there, seen)

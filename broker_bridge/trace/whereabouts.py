"""Where a board is now, as far as its history tells. Whoever tells it, a recall or a balance, tells it from here."""

from datetime import datetime, timedelta
from typing import Final

from broker_bridge.trace.history import History
from broker_bridge.trace.value import Value

IDLE: Final = timedelta(hours=24)
"""A board that nothing was said of for so long, and that is at no station, is not accounted for; common practice, no
source."""

_ENDED: Final = {"scrap": "scrapped", "return": "returned"}
_SHIPPED: Final = "board.shipped"


class Whereabouts(Value):
    """Its state, and where it was last seen."""

    state: str
    """in_process, left_line, shipped, scrapped or returned"""
    since: datetime | None
    """Since when it is in the state: when it came to its station or was last seen there, left, was shipped, scrapped."""
    station: str | None
    """Where it was seen last; None: nowhere."""
    there: bool
    """Whether nothing shows that it has left there."""
    seen: datetime | None
    """When it left there, or came there where it has not left."""
    by_hand: bool
    """Whether it was taken out there by hand."""
    end: str | None
    """What it left behind it last: `end of line-1`; None: nothing shows that it has left its line, or it came back."""
    held: datetime | None
    """Since when a hold is in force."""
    again: str | None
    """What was said of it before it was seen again: shipped, scrapped, returned."""


def whereabouts(history: History) -> Whereabouts:
    """The last thing that is known of it."""
    last = history.route[-1] if history.route else None
    seen = None if last is None else last.departed or last.arrived
    left = next((one for one in reversed(history.ends) if one.what != "shipped"), None)
    if left is not None and last is not None and left.time < last.arrived:
        left = None
    where = Whereabouts(
        state="in_process" if left is None else "left_line",
        since=seen if left is None else left.time,
        station=last.station if last else None,
        there=last is not None and last.departed is None,
        seen=seen,
        by_hand=last is not None and last.left == "removed",
        end=left.what if left else None,
        held=history.held[0].time if history.held else None,
        again=None,
    )
    disposed = [one for one in history.decisions if one.type == "board.dispositioned"][-1:]
    gone = [one for one in history.decisions if one.type == _SHIPPED]
    gone += [one for one in disposed if one.what in _ENDED]
    if not gone:
        return where
    end = max(gone, key=lambda one: one.time)
    state = "shipped" if end.type == _SHIPPED else _ENDED[end.what or ""]
    if last is not None and last.arrived > end.time:
        return where._replace(again=state)
    return where._replace(state=state, since=end.time, there=False)


def standing(state: str, there: bool, seen: datetime | None, now: datetime, idle: timedelta = IDLE) -> str:
    """The state as of `now`: in process, at no station and not heard of for `idle`, it is not_accounted_for."""
    lost = state == "in_process" and not there and (seen is None or now - seen > idle)
    return "not_accounted_for" if lost else state

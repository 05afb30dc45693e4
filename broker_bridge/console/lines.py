"""An event as one line of text, and as one JSON object."""

from typing import Any, Final

from broker_bridge.console.feed import Heard
from broker_bridge.live.clock import Clock
from broker_bridge.live.plain import clean, cut, fit, squeeze
from broker_bridge.live.told import Told
from broker_bridge.live.words import sentence

LATE_S: Final = 120.0
"""An event that is heard this long after it happened is marked as late."""
STATION: Final = 12
_BOARD: Final = 24


def event_line(told: Told, clock: Clock, width: int, *, past: bool = False, lines: bool = False) -> str:
    """`02:14:07 spi-1        HW-000123 arrived`, at most `width` cells.

    `past`: it was in the record before, so its age says nothing of how long it took. `lines`: the plant has
    several, so each station is told with its line.
    """
    return cut(f"{clock.time(told.at)} {fit(place_of(told, lines), _place(lines))} {_late(told, clock, past)}"
               f"{text_of(told)}", width)  # fmt: skip


def place_of(told: Told, lines: bool) -> str:
    """The station; where it is not known, in brackets who says it."""
    name = told.station or f"({told.source.rpartition('/')[2]})"
    shown = f"{told.line.rpartition('/')[2]}/{name}" if lines else name
    return squeeze(clean(shown), _place(lines))


def text_of(told: Told) -> str:
    """The sentence, long serial numbers squeezed."""
    return sentence(told.type, squeeze(told.label, _BOARD), told.said)


def event_object(heard: Heard) -> dict[str, Any]:
    """For a program: the same, with the event's data. Times are UTC."""
    told, fact = heard.told, heard.fact
    return {
        "kind": "event",
        "past": heard.past,
        "source": fact.source,
        "id": fact.id,
        "type": fact.type,
        "time": fact.time,
        "station": told.station,
        "text": told.text,
        "data": fact.data,
    }


def _place(lines: bool) -> int:
    return STATION + 8 if lines else STATION


def _late(told: Told, clock: Clock, past: bool) -> str:
    if past or (clock.now - told.at).total_seconds() < LATE_S:
        return ""
    return f"[{clock.age(told.at)} late] "

"""The last boards at a station, read back from the newest event of the record."""

from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.console.feed import CHUNK, Record
from broker_bridge.errors import NotFound
from broker_bridge.live.choice import Choice
from broker_bridge.live.passages import Visit
from broker_bridge.live.picture import Picture
from broker_bridge.live.told import tell

_FIRST: Final = 2_000
_MOST: Final = 500_000
"""Events looked back over at most: about half a minute of reading."""


class Past(NamedTuple):
    """The last boards at a station."""

    line: str
    station: str
    visits: tuple[Visit, ...]
    """Newest first."""
    whole: bool
    """False: fewer were found than asked for, and older events were not looked at."""
    back_to: datetime | None
    """Time of the oldest event looked at."""


def last_boards(record: Record, choice: Choice, count: int) -> tuple[Past, ...]:
    """The last `count` boards at the chosen station, in every line that has one of that name.

    Looks back as far as it has to. Raises NotFound when the record knows of no board there.
    """
    newest = record.newest()
    span = _FIRST
    while True:
        start = max(0, newest - span)
        found = _read(record, start, newest, choice, count)
        enough = found and all(len(past.visits) >= count for past in found)
        if enough or start == 0 or span >= _MOST:
            break
        span *= 4
    if not any(past.visits for past in found):
        looked = "the record" if start == 0 else f"the last {newest - start:,} events of the record"
        raise NotFound(f"{looked} knows of no board at station {choice.station!r}")
    return tuple(past._replace(whole=start == 0 or len(past.visits) >= count) for past in found)


def _read(record: Record, start: int, newest: int, choice: Choice, count: int) -> list[Past]:
    picture = Picture()
    number, back_to = start, None
    while number < newest and (facts := record.after(number, CHUNK)):
        for fact in facts:
            told = tell(fact)
            back_to = told.at if back_to is None else min(back_to, told.at)
            picture.take(told)
        number = facts[-1].number
    return [
        Past(line, name, tuple(reversed(visits[-count:])), False, back_to)
        for line, name in picture.stations()
        if choice.takes_station(line, name)
        if (visits := [visit for visit in picture.visits((line, name)) if choice.takes_names(visit.knots)])
    ]

"""Who is at a station and who was there last, from what was said about one station.

Times of two sources are never compared where it decides something: their clocks differ. What one source leaves
open and another contradicts is told as doubtful.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.live.told import Told
from broker_bridge.trace.mentions import Knot

ARRIVALS: Final = frozenset({"board.arrived", "board.introduced"})
ENDINGS: Final = frozenset(
    {"work.completed", "work.print_attempted", "inspection.completed", "inspection.test_completed"}
)
"""Statements after which a station has no more to do with a board."""

_SAME_PASS: Final = timedelta(minutes=5)
"""Another source's statement about a board this close belongs to the same pass. Common practice, no source."""
_DOUBLED: Final = timedelta(seconds=2)
"""A source that says the same again this soon, under another id, has said it doubly. Common practice, no source."""

Moves = Mapping[Knot, Mapping[str, datetime]]
"""By name and by who says it: when a board came to, or left, one station last."""


class Visit(NamedTuple):
    """One pass of a board, as far as it was told."""

    label: str
    knots: frozenset[Knot]
    source: str
    """Who told of its arrival; of its first statement where nobody did."""
    lane: int | None
    arrived: datetime | None
    departed: datetime | None
    done: datetime | None
    """When the station had finished with it."""
    results: tuple[str, ...]
    """What came out, in words."""
    last: datetime


class Here(NamedTuple):
    """A board at a station."""

    label: str
    since: datetime
    done: datetime | None
    sure: bool
    """False: it came, and its leaving may have been missed."""


class Left(NamedTuple):
    """The board that left last."""

    label: str
    at: datetime


class Passed(NamedTuple):
    """What was told of boards at one station."""

    visits: tuple[Visit, ...]
    """The passes, in the order of their beginnings."""
    arrivals: Moves
    """When each board came here last."""
    departures: Moves
    """When each board left here last."""


@dataclass(slots=True)
class _Open:
    number: int
    """In the order of beginnings."""
    label: str
    knots: frozenset[Knot]
    source: str
    lane: int | None
    last: datetime
    arrived: datetime | None = None
    departed: datetime | None = None
    done: datetime | None = None
    results: dict[str, int] = field(default_factory=dict)
    came: dict[str, datetime] = field(default_factory=dict)
    went: dict[str, datetime] = field(default_factory=dict)
    named: frozenset[Knot] = frozenset()
    """The names it was last met by."""

    def says(self, told: Told) -> None:
        """Something was said about it between coming and going."""
        self.last = told.at
        if told.type in ENDINGS:
            self.done = told.at
        self.results[told.said] = self.results.get(told.said, 0) + 1

    def closed(self) -> Visit:
        results = [f"{said} ({times}x)" if times > 1 else said for said, times in self.results.items()]
        return Visit(
            self.label, self.knots, self.source, self.lane, self.arrived, self.departed, self.done, tuple(results),
            self.last,
        )  # fmt: skip


def passages(station: str, statements: Iterable[Told]) -> Passed:
    """The passes of boards at one station; statements in the order of time.

    One way through them for all three answers: a plant at work asks for them of all its stations every second.
    """
    found: list[_Open] = []
    latest: dict[Knot, _Open] = {}
    arrivals: dict[Knot, dict[str, datetime]] = {}
    departures: dict[Knot, dict[str, datetime]] = {}
    for told in statements:
        way = _way(told, station)
        visit = _newest(latest, told.knots)
        if way == "comes":
            _note(arrivals, told)
            if visit is None or not _same_arrival(visit, told):
                visit = _begun(found, told)
            visit.came[told.source] = told.at
            if visit.arrived is None:
                visit.arrived, visit.source, visit.lane = told.at, told.source, told.lane
        elif way == "goes":
            _note(departures, told)
            if visit is None or not _once(visit.went, told):
                visit = _begun(found, told)
            visit.went[told.source] = told.at
            visit.departed = visit.departed or told.at
        elif way == "uncertain":
            continue
        else:
            if _over(visit, told):
                whole = _newest(latest, told.panels)
                if not _over(whole, told) and whole is not None:
                    # About a part of a panel that is here: its names are not the panel's.
                    whole.says(told)
                    continue
                visit = _begun(found, told)
            assert visit is not None
            visit.says(told)
        visit.last = told.at
        visit.label = visit.label or told.label
        if visit.named is not told.knots:  # mostly the same object again (names.py)
            visit.named = told.knots
            if not told.knots <= visit.knots:
                visit.knots |= told.knots
            for knot in told.knots:
                latest[knot] = visit
    return Passed(tuple(visit.closed() for visit in found), arrivals, departures)


def _way(told: Told, station: str) -> str:
    """Whether this says that a board came to the station, or left it; a hand-over may also not be certain to have happened."""
    if told.type == "board.transferred":
        if told.about.get("giver") == told.about.get("taker") == "complete":
            if told.about["to_station"] == station:
                return "comes"
            if told.station == station:
                return "goes"
        return "uncertain"
    if told.station == station:
        if told.type in ARRIVALS:
            return "comes"
        if told.type == "board.departed":
            return "goes"
    return ""


def _newest(latest: Mapping[Knot, _Open], names: Iterable[Knot]) -> _Open | None:
    """The visit of some names; of several the one that began last, so that the order of a set decides nothing."""
    found = [latest[knot] for knot in names if knot in latest]
    if len(found) > 1:
        return max(found, key=lambda visit: visit.number)
    return found[0] if found else None


def _note(moves: dict[Knot, dict[str, datetime]], told: Told) -> None:
    for knot in told.knots:
        moves.setdefault(knot, {})[told.source] = told.at


def here(
    passed: Sequence[Visit], elsewhere: Iterable[Moves], cut: Mapping[str, datetime]
) -> tuple[Here, ...]:
    """The boards that came and are not known to have gone, longest first.

    `elsewhere`: arrivals at all other stations; `cut`: when each source last missed something. A board without
    any name is never claimed to be here: its leaving could not be told from another's.
    """
    others = list(elsewhere)
    found: list[Here] = []
    overtaken: set[int | None] = set()
    again: set[Knot] = set()
    for visit in reversed(passed):
        came_again = not again.isdisjoint(visit.knots)
        again |= visit.knots
        if visit.arrived is None:
            continue
        if visit.departed is not None:
            overtaken.add(visit.lane)
            continue
        if came_again or not visit.knots or _gone(visit, others):
            continue
        missed = cut.get(visit.source)
        sure = (
            visit.lane not in overtaken
            and (missed is None or missed < visit.arrived)
            and not _seen_elsewhere(visit, others)
        )
        found.append(Here(visit.label, visit.arrived, visit.done, sure))
    return tuple(reversed(found))


def left(passed: Sequence[Visit]) -> Left | None:
    """The board that left last."""
    gone = [(visit.departed, visit.label) for visit in passed if visit.departed is not None]
    if not gone:
        return None
    at, label = max(gone)
    return Left(label or "a board without a name", at)


def _once(said: Mapping[str, datetime], told: Told) -> bool:
    """The source has not said this of the visit before, or said it doubly."""
    return told.source not in said or told.at - said[told.source] <= _DOUBLED


def _same_arrival(visit: _Open, told: Told) -> bool:
    if told.source in visit.came:
        return _once(visit.came, told)
    near = told.at - visit.last <= _SAME_PASS
    return near if visit.arrived is None or visit.departed is None else told.at - visit.arrived <= _SAME_PASS


def _over(visit: _Open | None, told: Told) -> bool:
    """There is no such visit, or it ended too long ago for a statement to be about it."""
    return visit is None or (visit.departed is not None and told.at - visit.departed > _SAME_PASS)


def _begun(found: list[_Open], told: Told) -> _Open:
    visit = _Open(len(found), told.label, told.knots, told.source, told.lane, told.at)
    found.append(visit)
    return visit


def _gone(visit: Visit, others: Iterable[Moves]) -> bool:
    """The source that told of its arrival told of a later one elsewhere."""
    return any(source == visit.source and later for there in others for source, later in _later(visit, there))


def _seen_elsewhere(visit: Visit, others: Iterable[Moves]) -> bool:
    """Another source did."""
    return any(later for there in others for _, later in _later(visit, there))


def _later(visit: Visit, there: Moves) -> Iterator[tuple[str, bool]]:
    assert visit.arrived is not None
    for knot in visit.knots:
        for source, at in there.get(knot, {}).items():
            yield source, at > visit.arrived

"""The fold: statements and states in, a view of the plant out.

Statements may come doubled, late and in any order; the view depends on their set alone, as far as the bounded
memory of each kind reaches (newest.py). Times of different sources are not compared where it decides anything.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.live.alarms import Alarm, AlarmId
from broker_bridge.live.choice import ALL, Choice
from broker_bridge.live.clock import Clock, instant_of
from broker_bridge.live.hearing import Bus, Hearing, SourceNow, Trouble
from broker_bridge.live.holds import Holds
from broker_bridge.live.newest import Newest
from broker_bridge.live.passages import Moves, Visit
from broker_bridge.live.station import Station, StationNow
from broker_bridge.live.told import Told
from broker_bridge.live.waiting import state_words, why

Place = tuple[str, str]
"""Line (/site/area/line) and station."""

_SHARED: Final = frozenset({"source.connected", "source.disconnected", "source.gap"})
_HANDED_OVER: Final = timedelta(minutes=10)
"""An arrival this long after a departure is still taken for the way between two neighbours, over a buffer."""
_LONG: Final = timedelta(hours=8)
"""Where no source tells that it still listens: nothing heard of a station for so long, a shift, leaves it not known. Common
practice, no source."""
_RECENT: Final = 5
"""Arrivals that tell which station stands before another."""


class Row(NamedTuple):
    """A station with what is said of it in words."""

    station: StationNow
    state: str
    why: str
    """Why it waits, empty when that is not known or not the case."""


class View(NamedTuple):
    """What is shown. Everything is cleaned for a terminal but the times, which a Clock tells."""

    lines: tuple[tuple[str, tuple[Row, ...]], ...]
    """Each line's stations in line order."""
    alarms: tuple[Alarm, ...]
    """Those that stand or were not seen, in the order of time."""
    troubles: tuple[Trouble, ...]
    sources: tuple[SourceNow, ...]
    heard: Mapping[str, datetime]
    """Time of the newest statement of every source."""


class Picture:
    """Takes what is heard; `view` looks at it."""

    def __init__(self, order: Iterable[Place] = ()) -> None:
        """`order`: the stations as the configuration names them. What a line declares of itself goes before."""
        self.hearing = Hearing()
        self._holds = Holds()
        self._stations: dict[Place, Station] = {}
        self._declared: dict[str, Newest] = {}
        self._shared: dict[str, Newest] = {}
        self._heard: dict[str, datetime] = {}
        for place in order:
            self._station(place)
        self._configured = list(self._stations)

    def take(self, told: Told) -> bool:
        """Take a statement; False when it changes nothing."""
        if self._holds.add(told):
            for station in self._stations.values():
                station.drop()
        if told.type == "line.declared":
            line = f"{told.line.rpartition('/')[0]}/{told.about['line']}"
            return self._declared.setdefault(line, Newest(4)).add(told)
        self._heard[told.source] = max(told.at, self._heard.get(told.source, told.at))
        if told.type in _SHARED and told.station is None and not told.candidates:
            return self._shared.setdefault(told.source, Newest(32)).add(told)
        # A statement about one of several candidates is in nobody's row: which one is not known.
        stations = {told.station, told.about.get("to_station")} - {None}
        return any([self._station((told.line, name)).add(told) for name in sorted(map(str, stations))])

    @property
    def heard(self) -> Mapping[str, datetime]:
        """Time of the newest statement of every source."""
        return self._heard

    def stations(self) -> tuple[Place, ...]:
        """All stations heard of or configured, by name."""
        return tuple(sorted(self._stations))

    def places(self, now: datetime) -> tuple[Place, ...]:
        """All stations heard of or configured, in line order."""
        return tuple(self._arranged(now)[0])

    def visits(self, place: Place) -> tuple[Visit, ...]:
        """The passes of boards at a station, in the order of their beginnings."""
        return self._stations[place].visits(self._holds) if place in self._stations else ()

    def view(
        self, clock: Clock, bus: Bus, choice: Choice = ALL, seen: Collection[AlarmId] = frozenset()
    ) -> View:
        """How it looks at this moment."""
        order, before = self._arranged(clock.now)
        sources = self.hearing.sources(bus, clock)
        now = self._known(self._now(order, seen), sources, clock)
        after = {giver: taker for taker, giver in before.items()}
        rows: dict[str, list[Row]] = {}
        found: list[Alarm] = []
        for place in order:
            if not choice.takes_station(*place):
                continue
            station = now[place]
            giver, taker = before.get(place), after.get(place)
            sentence = why(station, giver and now[giver], taker and now[taker], clock)
            rows.setdefault(place[0], []).append(Row(_shown(station), state_words(station), sentence))
            found += station.alarms
        return View(
            lines=tuple((line, tuple(stations)) for line, stations in rows.items()),
            alarms=tuple(sorted(found, key=lambda alarm: (alarm.since, alarm.id))),
            troubles=self.hearing.troubles(bus, clock),
            sources=sources,
            heard=dict(self._heard),
        )

    def _station(self, place: Place) -> Station:
        station = self._stations.get(place)
        if station is None:
            station = self._stations[place] = Station(*place)
        return station

    def _now(self, order: Sequence[Place], seen: Collection[AlarmId]) -> dict[Place, StationNow]:
        came: dict[Place, Moves] = {place: self._stations[place].arrivals(self._holds) for place in order}
        shared = [told for kept in self._shared.values() for told in kept if self._holds(told)]
        return {
            place: self._stations[place].now(
                self._holds, shared, (moves for other, moves in came.items() if other != place), seen
            )
            for place in order
        }

    def _known(
        self, now: Mapping[Place, StationNow], sources: Iterable[SourceNow], clock: Clock
    ) -> dict[Place, StationNow]:
        """The same, with those marked of which it is not known how they are by now."""
        silent = {source.source: source.silent for source in sources}
        return {
            place: station._replace(unheard=True)
            if station.heard is not None
            and _unheard(station.heard, [silent[one] for one in self._stations[place].sources() if one in silent], clock)
            else station
            for place, station in now.items()
        }  # fmt: skip

    def _arranged(self, now: datetime) -> tuple[list[Place], dict[Place, Place]]:
        """All stations in order, and who stands before whom.

        Lines by name; in each the declared order, else as boards were seen to go, else as configured, by name.
        """
        declared = {line: names for line in self._declared if (names := self._line(line, now))}
        for line, names in declared.items():
            for name in names:
                self._station((line, name))
        rest = sorted(set(self._stations) - set(self._configured))
        order = sorted([*self._configured, *rest], key=lambda place: place[0])
        before = self._before(order, declared)
        rank = {(line, name): at for line, names in declared.items() for at, name in enumerate(names)}
        order.sort(key=lambda place: (place[0], rank.get(place, len(rank))))
        takers: dict[Place | None, list[Place]] = {}
        for place in order:
            takers.setdefault(before.get(place), []).append(place)
        found: dict[Place, None] = {}

        def follow(place: Place) -> None:
            if place not in found:
                found[place] = None
                for taker in takers.get(place, ()):
                    follow(taker)

        first = [place for place in takers.get(None, ()) if place in takers or place in rank]
        for place in [*first, *order]:  # then those of which nothing is known, and those in a circle
            follow(place)
        return sorted(found, key=lambda place: place[0]), before

    def _line(self, line: str, now: datetime) -> list[str]:
        """The stations as last declared; empty while no declaration is valid."""
        valid = [(since, told.key, told) for told in self._declared[line]
                 if (since := instant_of(told.about["valid_from"])) <= now]  # fmt: skip
        return [station["name"] for station in max(valid)[2].about["stations"]] if valid else []

    def _before(self, order: Sequence[Place], declared: Mapping[str, list[str]]) -> dict[Place, Place]:
        """Who stands before whom: as declared, else as boards were seen to go over."""
        before: dict[Place, Place] = {}
        for place in order:
            if place[0] not in declared and (giver := self._giver(place, order)) is not None:
                before[place] = giver
        for line, names in declared.items():
            places = [(line, name) for name in names]
            before.update(zip(places[1:], places, strict=False))
        return before

    def _giver(self, place: Place, order: Sequence[Place]) -> Place | None:
        """The station from which the boards that came last had gone, by one and the same source."""
        votes: Counter[Place] = Counter()
        others = [
            (other, self._stations[other].departures(self._holds))
            for other in order
            if other != place and other[0] == place[0]
        ]
        came = [visit for visit in self._stations[place].visits(self._holds) if visit.arrived is not None]
        for visit in came[-_RECENT:]:
            assert visit.arrived is not None
            gone = [
                (at, other)
                for other, left in others
                for knot in visit.knots
                if (at := left.get(knot, {}).get(visit.source)) and at <= visit.arrived <= at + _HANDED_OVER
            ]
            if gone:
                votes[max(gone)[1]] += 1
        return max(votes, key=lambda other: (votes[other], other)) if votes else None


def _unheard(heard: datetime, silent: Sequence[bool], clock: Clock) -> bool:
    """`silent`: of each of its sources that tells how it is."""
    return all(silent) if silent else clock.now - heard > _LONG


def _shown(station: StationNow) -> StationNow:
    """Whether a board is still at a station that is not known by now is not known either."""
    if not station.unheard:
        return station
    return station._replace(here=tuple(board._replace(sure=False) for board in station.here))

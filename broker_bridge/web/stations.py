"""The line as it is now, from the newest events of the record, and the same events for whoever listens."""

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncGenerator, Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus
from broker_bridge.live.picture import Picture, Place, View
from broker_bridge.live.told import Told, tell
from broker_bridge.queries.tail import Tail

_STEP: Final = 500
_FRESH: Final = timedelta(seconds=1)
_POLL_S: Final = 0.2
_PAST: Final = timedelta(hours=2)
_MOST_PAST: Final = 50_000
"""Events the picture begins with at most."""
_LEAST_PAST: Final = 2_000
"""Events it begins with at least: a line that stands still is shown as it stopped."""
_KEPT: Final = 5_000
"""Events kept for listeners that come back after a short while."""


class Live(NamedTuple):
    """An event as listeners get it."""

    number: int
    told: Told


class Glance(NamedTuple):
    """A view, and the clock that told its times."""

    clock: Clock
    view: View


class Stations:
    """`follow` runs beside the service; `view` and `listen` may be asked at any time, in the same event loop."""

    def __init__(self, url: str, order: Iterable[Place], clock: Callable[[], datetime]) -> None:
        self._url, self._clock = url, clock
        self._order = tuple(order)
        self.picture = Picture(self._order)
        self._kept: deque[Live] = deque(maxlen=_KEPT)
        self._more = asyncio.Event()
        self._glances: dict[type[Clock], Glance] = {}
        self._heard: dict[str, datetime] = {}
        self.looked_from: datetime | None = None
        """When the oldest event taken in here was recorded."""
        self.number = 0
        """Of the newest event taken in."""
        self.listeners = 0
        self.since = clock()
        self.trouble = "the record was not read yet"
        """Why nothing new comes; empty when all is well."""

    def clock(self, kind: type[Clock] = Clock) -> Clock:
        """The moment of looking; `kind` tells times its own way."""
        return kind(self._clock())

    def view(self, clock: Clock | None = None) -> View:
        """The stations, each with its state and why it waits; times are told by `clock`."""
        # What edges and brokers say of themselves is told by `check`; here only the record speaks.
        return self.picture.view(clock or self.clock(), Bus("", True, self.since, ""))

    def heard(self) -> dict[str, datetime]:
        """When the recorder took in the newest event of every source, by its own clock: those of machines may be wrong."""
        return dict(self._heard)

    def holds(self, after: int) -> bool:
        """Whether all that came behind a number is still kept."""
        return after >= self.number or (bool(self._kept) and after + 1 >= self._kept[0].number)

    def glance(self, kind: type[Clock]) -> Glance:
        """The view of at most a second ago: many may look, and each look costs the event loop some milliseconds."""
        now = self._clock()
        held = self._glances.get(kind)
        if held is None or not timedelta(0) <= now - held.clock.now < _FRESH:
            clock = kind(now)
            held = self._glances[kind] = Glance(clock, self.view(clock))
        return held

    async def listen(self, after: int | None = None) -> AsyncGenerator[Live]:
        """Events as they come; with `after`, first those kept that came behind this number.

        Ends where what was asked for is no longer kept: read it from the record.
        """
        seen = self.number if after is None else after
        self.listeners += 1
        try:
            while self.holds(seen):
                for one in [one for one in self._kept if one.number > seen]:
                    seen = one.number
                    yield one
                if seen >= self.number:
                    await self._more.wait()
        finally:
            self.listeners -= 1

    async def follow(self) -> None:
        """Read the record as it grows, until cancelled."""
        tail: Tail | None = None
        try:
            while True:
                try:
                    if tail is None:
                        tail = Tail(self._url)
                        await asyncio.to_thread(self._begin, tail)
                    facts, taken = await asyncio.to_thread(_next, tail, self.number)
                    if facts:
                        self._take(facts, taken)
                        continue
                    if tail.newest() < self.number:
                        self._again()
                        tail.close()
                        tail = None
                    self.trouble = ""
                except (NotFound, StoreUnavailable) as error:
                    self.trouble = str(error)
                    if tail is not None:
                        tail.close()
                    tail = None
                await asyncio.sleep(_POLL_S)
        finally:
            if tail is not None:
                tail.close()

    def _begin(self, tail: Tail) -> None:
        if self.number:
            return
        with contextlib.suppress(NotFound):
            newest = tail.newest()
            hours = max(tail.number_at(self._clock() - _PAST), newest - _MOST_PAST)
            self.number = max(min(hours, newest - _LEAST_PAST), 0)

    def _again(self) -> None:
        """The record was restored or begun anew."""
        self.number = 0
        self._kept.clear()
        self._heard.clear()
        self.looked_from = None
        self.picture = Picture(self._order)

    def _take(self, facts: Iterable[Fact], taken: Mapping[int, datetime]) -> None:
        for fact in facts:
            told = tell(fact)
            if when := taken.get(fact.commit):
                self._heard[fact.source] = when
                self.looked_from = self.looked_from or when
            self.picture.take(told)
            self._kept.append(Live(fact.number, told))
            self.number = fact.number
        self._more.set()
        self._more.clear()


def _next(tail: Tail, number: int) -> tuple[Sequence[Fact], Mapping[int, datetime]]:
    facts = tail.after(number, _STEP)
    return facts, tail.taken(facts)

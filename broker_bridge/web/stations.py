"""The line as it is now, from the newest events of the record, and the same events for whoever listens.

Rule for maintainers: the picture belongs to one thread, and that is not the event loop's: a look at a plant where much happens
takes tens of milliseconds, in which nobody else would be answered. Nor is it one of asyncio's own threads, which may all be
waiting for an index that is being made.
"""

import asyncio
import time
from collections import deque
from collections.abc import AsyncGenerator, Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from typing import Final, NamedTuple, TypeVar

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import kept_by_the_record
from broker_bridge.live.picture import Picture, Place, View
from broker_bridge.live.told import Told, tell
from broker_bridge.queries.tail import Tail
from broker_bridge.web.sources import hear, last_words

T = TypeVar("T")

_STEP: Final = 500
_FRESH: Final = timedelta(seconds=1)
_POLL_S: Final = 0.2
_WORDS_S: Final = 5.0
"""Seconds between looks at what sources say of themselves: every ten seconds, each."""
_PAST: Final = timedelta(hours=2)
_MOST_PAST: Final = 50_000
"""Events the picture begins with at most."""
_LEAST_PAST: Final = 2_000
"""Events it begins with at least: a line that stands still is shown as it stopped."""
_KEPT: Final = 5_000
"""Events kept for listeners that come back after a short while."""


class Mark(NamedTuple):
    """A place in a record. In another incarnation of the record the number may be another event's."""

    incarnation: int
    number: int

    def __str__(self) -> str:
        return f"{self.incarnation}.{self.number}"

    @classmethod
    def read(cls, text: str) -> "Mark":
        """What `str` gives; a number alone is of incarnation 0, which means: not told. Raises ValueError."""
        incarnation, _, number = text.rpartition(".")
        return cls(int(incarnation or 0), int(number))


MARK: Final = r"^([0-9]{1,18}\.)?[0-9]{1,18}$"


class Live(NamedTuple):
    """An event as listeners get it."""

    mark: Mark
    told: Told


class Glance(NamedTuple):
    """A view, the clock that told its times, and how far it goes."""

    clock: Clock
    view: View
    mark: Mark
    """Of the newest event in it."""


class _Drawn:
    """The picture of one record, and how far it goes. For one thread."""

    def __init__(self, picture: Picture, mark: Mark) -> None:
        self.picture, self.mark = picture, mark


class Stations:
    """`follow` runs beside the service; `glance` and `listen` may be asked at any time, in the same event loop."""

    def __init__(self, url: str, order: Iterable[Place], clock: Callable[[], datetime]) -> None:
        self._url, self._clock = url, clock
        self._order = tuple(order)
        self._drawn = _Drawn(Picture(self._order), Mark(0, 0))
        self._drawing = ThreadPoolExecutor(1, "stations")
        self._reading = ThreadPoolExecutor(1, "stations' record")
        self._kept: deque[Live] = deque(maxlen=_KEPT)
        self._more = asyncio.Event()
        self._looking = asyncio.Lock()
        self._glances: dict[type[Clock], Glance] = {}
        self._heard: dict[str, datetime] = {}
        self._file = 0
        self.looked_from: datetime | None = None
        """When the oldest event taken in here was recorded."""
        self.mark = Mark(0, 0)
        """Of the newest event taken in."""
        self.listeners = 0
        self.trouble = "the record was not read yet"
        """Why nothing new comes; empty when all is well."""

    def clock(self, kind: type[Clock] = Clock) -> Clock:
        """The moment of looking; `kind` tells times its own way."""
        return kind(self._clock())

    def heard(self) -> dict[str, datetime]:
        """When the recorder took in the newest event of every source, by its own clock: those of machines may be wrong."""
        return dict(self._heard)

    @property
    def number(self) -> int:
        """Of the newest event taken in."""
        return self.mark.number

    def holds(self, after: Mark) -> bool:
        """Whether all that came behind a place is still kept."""
        if after.incarnation not in (0, self.mark.incarnation) or after.number > self.number:
            return False
        return after.number == self.number or (
            bool(self._kept) and after.number + 1 >= self._kept[0].mark.number
        )

    async def glance(self, kind: type[Clock] = Clock) -> Glance:
        """The stations as of at most a second ago, each with its state and why it waits: one looks for all who ask."""
        async with self._looking:
            now = self._clock()
            held = self._glances.get(kind)
            if held is not None and timedelta(0) <= now - held.clock.now < _FRESH:
                return held
            drawn = self._drawn
            seen = await _in(self._drawing, partial(_look, drawn, kind(now)))
            if drawn is self._drawn:
                self._glances[kind] = seen
            return seen

    def close(self) -> None:
        """Let go of the threads, once nobody follows any more."""
        self._drawing.shutdown(wait=False, cancel_futures=True)
        self._reading.shutdown(wait=False, cancel_futures=True)

    async def listen(self, after: Mark | None = None) -> AsyncGenerator[Live]:
        """Events as they come; with `after`, first those kept that came behind this place.

        Ends where what was asked for is no longer kept, or of another record: read it from the record.
        """
        seen = self.mark if after is None else Mark(after.incarnation or self.mark.incarnation, after.number)
        self.listeners += 1
        try:
            while self.holds(seen):
                for one in [one for one in self._kept if one.mark.number > seen.number]:
                    seen = one.mark
                    yield one
                if seen.number == self.number:
                    # Of whoever came before the record was opened: else the same place under another name would be looked for,
                    # for ever, and without a pause.
                    seen = self.mark
                    await self._more.wait()
        finally:
            self.listeners -= 1

    async def follow(self) -> None:
        """Read the record as it grows, until cancelled."""
        tail: Tail | None = None
        looked = 0.0
        try:
            while True:
                try:
                    if tail is None:
                        looked = 0.0
                        opened = await _in(self._reading, partial(_open, self._url, self._clock()))
                        tail = opened.tail
                        self._begin(opened)
                    if news := await _in(self._reading, partial(_next, tail, self.number)):
                        self._hand_on(news)
                        await _in(self._drawing, partial(_take, self._drawn, news, self.mark))
                        continue
                    if await _in(self._reading, tail.replaced):
                        tail.close()
                        tail = None
                        continue
                    if time.monotonic() >= looked + _WORDS_S:
                        looked = time.monotonic()
                        said = last_words(await _in(self._reading, tail.states))
                        await _in(self._drawing, partial(hear, self._drawn.picture.hearing, said))
                    self.trouble = ""
                except (NotFound, StoreUnavailable) as error:
                    self.trouble = str(error)
                    if tail is not None:
                        tail.close()
                    tail = None
                await asyncio.sleep(_POLL_S)
        finally:
            if tail is not None:
                self._reading.submit(tail.close)  # behind what may still be read from it

    def _begin(self, opened: "_Opened") -> None:
        """A record was opened: the same as before, after trouble, or another one."""
        if (opened.file, opened.incarnation) == (self._file, self.mark.incarnation):
            return
        self._kept.clear()
        self._heard.clear()
        self.looked_from = None
        self._glances.clear()
        self._file, self.mark = opened.file, Mark(opened.incarnation, opened.begin)
        self._drawn = _Drawn(Picture(self._order), self.mark)
        self._tell_listeners()

    def _hand_on(self, news: Iterable["_New"]) -> None:
        for number, when, told in news:
            if when is not None:
                self._heard[told.source] = when
                self.looked_from = self.looked_from or when
            self.mark = self.mark._replace(number=number)
            self._kept.append(Live(self.mark, told))
        self._tell_listeners()

    def _tell_listeners(self) -> None:
        self._more.set()
        self._more.clear()


class _Opened(NamedTuple):
    """A record, and the number behind which its events are taken in."""

    tail: Tail
    file: int
    incarnation: int
    begin: int


def _open(url: str, now: datetime) -> _Opened:
    tail = Tail(url)
    try:
        newest = tail.newest()
        hours = max(tail.number_at(now - _PAST), newest - _MOST_PAST)
        return _Opened(tail, tail.file, tail.incarnation, max(min(hours, newest - _LEAST_PAST), 0))
    except BaseException:
        tail.close()
        raise


class _New(NamedTuple):
    """An event, and when the recorder took it in, as far as that is known."""

    number: int
    taken: datetime | None
    told: Told


def _next(tail: Tail, number: int) -> list[_New]:
    facts = tail.after(number, _STEP)
    taken = tail.taken(facts)
    return [_New(fact.number, taken.get(fact.commit), tell(fact)) for fact in facts]


def _take(drawn: _Drawn, news: Iterable[_New], mark: Mark) -> None:
    for one in news:
        drawn.picture.take(one.told)
    drawn.mark = mark


def _look(drawn: _Drawn, clock: Clock) -> Glance:
    return Glance(clock, drawn.picture.view(clock, kept_by_the_record()), drawn.mark)


async def _in(thread: ThreadPoolExecutor, work: Callable[[], T]) -> T:
    return await asyncio.get_running_loop().run_in_executor(thread, work)

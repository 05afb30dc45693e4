"""Watching on the whole screen: the stations of the line, drawn anew when something changed or a second went by."""

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from datetime import datetime, tzinfo
from typing import Final

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from broker_bridge.console.desk import Desk
from broker_bridge.console.feed import Feed, Heard, Item, Notice
from broker_bridge.console.keyboard import Keyboard
from broker_bridge.console.message import StateHeard, Unreadable
from broker_bridge.console.screen import Frame, Line, draw
from broker_bridge.live.choice import Choice
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus
from broker_bridge.live.picture import Picture, Place, View
from broker_bridge.live.told import Told

TICK_S: Final = 0.5
"""Seconds between drawings while nobody presses a key: twice a second is live to the eye and cheap over ssh."""
NOTICE_S: Final = 30.0
TAIL: Final = 500


class Screen:
    """Keeps the picture, what was chosen and what was heard last; makes frames of them."""

    def __init__(
        self,
        site: str,
        choice: Choice,
        order: list[Place],
        now: Callable[[], datetime],
        zone: tzinfo | None = None,
    ) -> None:
        self.desk = Desk(choice)
        self.picture = Picture(order)
        self._site = site
        self._now = now
        self._zone = zone
        self._tail: deque[tuple[Told, bool]] = deque(maxlen=TAIL)
        self._notices: deque[tuple[datetime, str]] = deque(maxlen=3)
        self._held: tuple[Choice, Frame] | None = None
        self._missed = 0

    def put(self, item: Item) -> None:
        """One thing that the feed gave."""
        match item:
            case Heard():
                self.picture.take(item.told)
                self._tail.append((item.told, item.past))
                self._missed += self.desk.paused is not None
            case StateHeard():
                self.picture.hearing.take(item.state, self._now(), live=item.live)
            case Unreadable():
                self._notices.append((self._now(), f"a payload on {item.topic} is no event: {item.reason}"))
            case Notice():
                self._notices.append((self._now(), item.text))

    def press(self, key: str, bus: Bus) -> None:
        """A key was pressed."""
        alarms = self.frame(bus).view.alarms
        self.desk.press(key, places=self.picture.places(self._now()), alarms=alarms, now=self._now())
        self.frame(bus)  # what a pause is to hold is what is there now

    def view(self, bus: Bus) -> View:
        """How it looks now, by what is chosen."""
        return self.picture.view(self._clock(), bus, self.desk.choice, self.desk.seen)

    def frame(self, bus: Bus, ready: bool = True) -> Frame:
        """What is to be drawn; while paused the same as when the pause began, but for pages and filters.

        `ready`: the record is read up to its head.
        """
        now = self._now()
        if self.desk.paused is None:
            self._held, self._missed = None, 0
        elif self._held is not None and self._held[0] == self.desk.choice:
            return self._held[1]._replace(missed=self._missed)
        frame = Frame(
            self._site,
            self.view(bus),
            self.desk,
            self._clock(),
            "live" if bus.connected and ready else "reading the record" if bus.connected else "NO BROKER",
            [entry for entry in self._tail if self.desk.choice.takes(entry[0])],
            self._missed,
            [text for at, text in self._notices if (now - at).total_seconds() < NOTICE_S],
        )
        if self.desk.paused is not None:
            self._held = self.desk.choice, frame
        return frame

    def _clock(self) -> Clock:
        return Clock(self._now(), self._zone)


async def watch(feed: Feed, screen: Screen, console: Console, keyboard: int | None) -> None:
    """Draw until somebody presses q. Raises what `Feed.run` raises; the terminal is as before in any case.

    `keyboard`: the file descriptor keys come from, None where there is none: then only a signal ends it.
    """
    pressed = asyncio.Event()
    loop = asyncio.get_running_loop()
    feeding = asyncio.create_task(feed.run(), name="watch feed")
    with ExitStack() as stack:
        stack.callback(feeding.cancel)
        live = stack.enter_context(Live(console=console, screen=True, auto_refresh=False))
        if keyboard is not None:
            keys = stack.enter_context(Keyboard(keyboard))

            def read() -> None:
                for key in keys.read():
                    screen.press(key, feed.bus())
                pressed.set()

            loop.add_reader(keyboard, read)
            stack.callback(loop.remove_reader, keyboard)
        while not screen.desk.quit and not feeding.done():
            pressed.clear()
            live.update(
                _group(draw(screen.frame(feed.bus(), feed.caught_up.is_set()), *console.size)), refresh=True
            )
            waiting = asyncio.create_task(pressed.wait(), name="watch keys")
            try:
                await asyncio.wait((waiting, feeding), timeout=TICK_S, return_when=asyncio.FIRST_COMPLETED)
            finally:
                waiting.cancel()
    if feeding.done() and not feeding.cancelled():
        await feeding


def _group(lines: list[Line]) -> Group:
    return Group(*(Text(line.text, line.style, no_wrap=True, overflow="crop") for line in lines))

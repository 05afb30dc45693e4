"""Watching as a stream: one line an event, and a line whenever something is gone or back."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from typing import Final, NamedTuple

import orjson

from broker_bridge.console.feed import Feed, Heard, Item, Notice
from broker_bridge.console.lines import event_line, event_object
from broker_bridge.console.message import StateHeard, Unreadable
from broker_bridge.live.choice import Choice
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus, Hearing, Trouble
from broker_bridge.live.plain import clean, wrap

LOOK_S: Final = 1.0
"""Seconds between looks at who is gone."""


class Style(NamedTuple):
    """How the lines are to look."""

    width: int = 80
    zone: tzinfo | None = None
    as_json: bool = False
    lines: bool = False
    """The plant has several lines: each station is told with its line."""


class Streaming:
    """Turns what the feed gives into lines and hands them to `write`."""

    def __init__(
        self, choice: Choice, style: Style, write: Callable[[str], None], now: Callable[[], datetime]
    ) -> None:
        self._choice = choice
        self._style = style
        self._write = write
        self._now = now
        self._hearing = Hearing()
        self._troubles: dict[tuple[str, str], Trouble] = {}

    def put(self, item: Item) -> None:
        """One thing that the feed gave."""
        match item:
            case Heard():
                if self._choice.takes(item.told):
                    self._write(self._event(item))
            case StateHeard():
                self._hearing.take(item.state, self._now(), live=item.live)
            case Unreadable():
                self._say(f"a payload on {item.topic} is no event: {item.reason}")
            case Notice():
                self._say(item.text)

    def check(self, bus: Bus) -> None:
        """Say who is gone and who is back since the last time."""
        found = {
            (trouble.subject, trouble.what): trouble for trouble in self._hearing.troubles(bus, self._clock())
        }
        for key, trouble in found.items():
            if key not in self._troubles:
                self._say(trouble.text)
        for key, trouble in self._troubles.items():
            if key not in found:
                well = all(subject != trouble.subject for subject, _ in found)
                self._say(f"{trouble.subject}: {'well again' if well else f'over: {trouble.what}'}")
        self._troubles = found

    def _event(self, item: Heard) -> str:
        if self._style.as_json:
            return orjson.dumps(event_object(item)).decode()
        return event_line(
            item.told, self._clock(), self._style.width, past=item.past, lines=self._style.lines
        )

    def _say(self, text: str) -> None:
        if self._style.as_json:
            at = self._now().astimezone(UTC).isoformat().replace("+00:00", "Z")
            self._write(orjson.dumps({"kind": "notice", "time": at, "text": text}).decode())
        else:
            clock = self._clock()
            head = f"{clock.time(clock.now)} !! "
            for line in wrap(clean(text), self._style.width, " " * len(head), 6, first=head):
                self._write(line)

    def _clock(self) -> Clock:
        return Clock(self._now(), self._style.zone)


async def _look(feed: Feed, streaming: Streaming) -> None:
    while True:
        await asyncio.sleep(LOOK_S)
        streaming.check(feed.bus())


async def stream(feed: Feed, streaming: Streaming) -> None:
    """Feed and look for ever. Raises what `Feed.run` raises."""
    tasks = [
        asyncio.create_task(feed.run(), name="watch feed"),
        asyncio.create_task(_look(feed, streaming), name="watch look"),
    ]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            await task
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

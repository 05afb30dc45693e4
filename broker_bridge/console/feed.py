"""The bus and the record to one stream without holes and doubles.

The record is read up to its head first, then the bus speaks; the record goes on being read behind it, so that
what passed while the broker was away, or before the subscription stood, turns up a little later instead of never.
The same event from both is recognised by source and id.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from typing import Final, NamedTuple, Protocol

from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.topics import Topics
from broker_bridge.console.message import StateHeard, Unreadable, read
from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.live.hearing import Bus
from broker_bridge.live.seen import Seen
from broker_bridge.live.told import Told, tell

CHUNK: Final = 500
BEHIND_S: Final = 2.0
"""Seconds between looks at the record behind the bus."""
REOPEN_S: Final = 10.0
SUBSCRIBED_S: Final = 3.0
"""Seconds that the reading of the record waits for the subscriptions, so that the two overlap."""


class Record(Protocol):
    """What watching needs of the record's readers. StoreUnavailable: try again."""

    def newest(self) -> int:
        """Number of the newest event; 0 when there is none."""
        ...

    def number_at(self, instant: datetime) -> int:
        """Number of the newest event that was committed at or before an instant; 0 when there is none."""
        ...

    def after(self, number: int, limit: int) -> Sequence[Fact]:
        """The events behind a number, in order, at most `limit`."""
        ...

    def replaced(self) -> bool:
        """Whether another record lies there by now: it has to be opened anew."""
        ...

    def close(self) -> None:
        """Let go of the record."""
        ...


class Heard(NamedTuple):
    """An event, met for the first time."""

    told: Told
    fact: Fact
    past: bool
    """True: it was in the record already when watching began."""


class Notice(NamedTuple):
    """Something a person should know about the watching itself."""

    text: str


Item = Heard | StateHeard | Unreadable | Notice


class Feed:
    """Runs until cancelled and hands every item to `put`, in one event loop."""

    def __init__(
        self,
        topics: Topics,
        *,
        connect: Callable[[Sequence[str]], Awaitable[Client]],
        open_record: Callable[[], Record],
        put: Callable[[Item], None],
        clock: Callable[[], datetime],
        since: datetime | None = None,
        least: int = 0,
    ) -> None:
        """`connect` gives a client, not yet entered, that subscribes to the filters it is given.

        `open_record` raises NotFound while there is no record. `since`: begin with what reached the record since;
        None: with what comes from now on. `least`: events to begin with at least, so that a line that stands still is
        shown as it stopped.
        """
        self._topics = topics
        self._connect = connect
        self._open_record = open_record
        self._put = put
        self._clock = clock
        self._since = since
        self._least = least
        self._began = clock()
        self._seen = Seen()
        self._client: Client | None = None
        self._open: Record | None = None
        self._bus = Bus(
            "", False, self._began, "its address is not known yet: it was not started here so far"
        )
        self.subscribed = asyncio.Event()
        """Set when the broker was reached for the first time."""
        self.caught_up = asyncio.Event()
        """Set when the record was read up to its head, or there is none."""
        self.number = 0
        """Number of the newest event read from the record."""

    async def run(self) -> None:
        """Feed for ever. Raises ConfigError, RecordDamaged and StoreVersionError: nothing here mends them."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._listen(), name="watch bus")
                group.create_task(self._read(), name="watch record")
        except BaseExceptionGroup as errors:
            raise _first(errors) from None

    def bus(self) -> Bus:
        """How our own connection is, and since when."""
        client = self._client
        if client is None:
            return self._bus
        connected = client.connected
        if connected != self._bus.connected or not self._bus.address:
            since = self._clock() if connected != self._bus.connected else self._bus.since
            self._bus = Bus(f"{client.host}:{client.port}", connected, since, client.trouble)
        elif client.trouble != self._bus.trouble:
            self._bus = self._bus._replace(trouble=client.trouble)
        return self._bus

    async def _listen(self) -> None:
        client = await self._connect([*self._topics.all_events(), self._topics.all_states()])
        async with client:
            self._client = client
            await client.wait_connected()
            self.subscribed.set()
            await self.caught_up.wait()  # meanwhile messages wait in the client, and then at the broker
            while True:
                message = await client.next(timeout=5.0)
                if message is None:
                    continue
                for said in read(self._topics, message):
                    if isinstance(said, Fact):
                        self._event(said, past=False)
                    else:
                        self._put(said)
                client.ack([message])
                await asyncio.sleep(0)

    async def _read(self) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SUBSCRIBED_S):
                await self.subscribed.wait()
        trouble = ""
        try:
            while True:
                try:
                    if self._open is None:
                        self._open = self._record()
                    await self._behind(self._open)
                    trouble = ""
                except NotFound as error:
                    if not self.caught_up.is_set():
                        self._put(Notice(f"{error}: shown is what comes from now on"))
                except StoreUnavailable as error:
                    if str(error) != trouble:
                        trouble = str(error)
                        self._put(Notice(f"the record cannot be read now: {trouble}"))
                self.caught_up.set()
                await asyncio.sleep(BEHIND_S if self._open is not None else REOPEN_S)
        finally:
            if self._open is not None:
                self._open.close()

    def _record(self) -> Record:
        record = self._open_record()
        try:
            self.number = record.number_at(self._since or self._began)
            if self._least:
                self.number = max(0, min(self.number, record.newest() - self._least))
        except BaseException:
            record.close()
            raise
        return record

    async def _behind(self, record: Record) -> None:
        while facts := record.after(self.number, CHUNK):
            for fact in facts:
                self._event(fact, past=not self.caught_up.is_set())
            self.number = facts[-1].number
            await asyncio.sleep(0)
        if record.replaced():
            self._put(Notice("the record was restored, moved or begun anew: it is opened again"))
            self._open = None
            record.close()

    def _event(self, fact: Fact, *, past: bool) -> None:
        if self._seen.new(fact.source, fact.id):
            self._put(Heard(tell(fact), fact, past))


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error

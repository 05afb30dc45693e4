"""Takes what the bus brings, commits it, and only then acknowledges and gives receipts.

Messages that arrive while a commit is under way make up the next one, so a quiet line commits each event at
once and a busy one hundreds together, without waiting for a timer. A store that cannot be written stops the
acknowledgements, nothing else: the broker and the outboxes hold what waits.
"""

import asyncio
import contextlib
import logging
from collections import defaultdict
from collections.abc import Awaitable, Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Final, Protocol

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import RecordState, dump, parse_source_state
from broker_bridge.errors import BridgeError, BusUnavailable, StoreUnavailable, WireError
from broker_bridge.recorder.intake import examine
from broker_bridge.recorder.receipts import receipt
from broker_bridge.store.base import Arrival, Committed, Heard, Progress, Refusal, StoreWriter

log = logging.getLogger(__name__)

BEAT_S: Final = 10.0
RECEIPT_S: Final = 0.1
"""A source gets at most one receipt in this time."""
RETRY_S: Final = (0.2, 5.0)
"""First and longest wait when the store cannot be written."""
_REFUSALS: Final = 500


class BusClient(Protocol):
    """What the recorder needs of the MQTT client (bus.mqtt.Client)."""

    @property
    def trouble(self) -> str: ...
    async def wait_connected(self) -> int: ...
    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> Awaitable[None]: ...
    async def next(self, timeout: float | None = None) -> Message | None: ...
    def take_nowait(self, limit: int) -> list[Message]: ...
    def ack(self, messages: Iterable[Message]) -> None: ...


def filters(topics: Topics) -> list[str]:
    """What the recorder's client has to subscribe to."""
    return [*topics.all_events(), topics.all_states()]


class Recorder:
    """One record's recorder. `run` ends only when cancelled, or with RecordDamaged."""

    def __init__(
        self,
        client: BusClient,
        store: StoreWriter,
        topics: Topics,
        *,
        site: str,
        window: int = 500,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._client = client
        self._store = store
        self._topics = topics
        self._site = site
        self._window = window
        self._now = now
        self._progress: dict[str, dict[int, Progress]] = defaultdict(dict)
        self._untold: set[str] = set()
        self._something_untold = asyncio.Event()
        self._waiting = ""
        self._alarms: dict[str, str] = {}

    async def run(self) -> None:
        """Record for ever."""
        await self._recall()
        await self.retry_refusals()
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._record(), name="recorder-intake")
                group.create_task(self._give_receipts(), name="recorder-receipts")
                group.create_task(self._beat(), name="recorder-state")
        finally:
            with contextlib.suppress(BridgeError, TimeoutError):
                async with asyncio.timeout(2.0):
                    await self._tell(gone=True)

    async def retry_refusals(self) -> int:
        """Examine refused payloads again, as after an upgrade; returns how many became events."""
        mended = 0
        after = 0
        while rows := await self._store.refusals(after, _REFUSALS):
            after = rows[-1].number
            for row in rows:
                found = examine(self._topics, row.refusal.topic, row.refusal.body)
                arrivals = [item for item in found if isinstance(item, Arrival)]
                if len(arrivals) == len(found):
                    self._note(await self._commit(arrivals, [], [], [row.number]))
                    mended += 1
        if mended:
            log.info("%d refused payloads are events now", mended)
        return mended

    # -- in -----------------------------------------------------------------------------------------------

    async def _record(self) -> None:
        while True:
            first = await self._client.next()
            if first is None:
                continue
            messages = [first, *self._client.take_nowait(self._window - 1)]
            arrivals: list[Arrival] = []
            refusals: list[Refusal] = []
            heard: list[Heard] = []
            for message in messages:
                self._sort(message, arrivals, refusals, heard)
            if arrivals or refusals or heard:
                self._note(await self._commit(arrivals, refusals, heard))
            self._client.ack(messages)

    def _sort(
        self, message: Message, arrivals: list[Arrival], refusals: list[Refusal], heard: list[Heard]
    ) -> None:
        address = self._topics.read(message.topic)
        if address is not None and address.kind == "state":
            if address.rest == ("source",):
                with contextlib.suppress(WireError):
                    state = parse_source_state(message.payload)
                    if state.source == address.source:
                        self._watch_epoch(state.source, state.epoch)
                        heard.append(Heard(state.source, state.epoch, state.last, message.payload))
            return
        for item in examine(self._topics, message.topic, message.payload):
            if isinstance(item, Arrival):
                self._watch_epoch(item.event.source, int(item.event.epoch))
                arrivals.append(item)
            else:
                log.warning("refused on %s: %s", item.topic, item.reason)
                refusals.append(item)

    async def _commit(
        self,
        arrivals: Sequence[Arrival],
        refusals: Sequence[Refusal],
        heard: Sequence[Heard],
        resolved: Sequence[int] = (),
    ) -> Committed:
        wait, longest = RETRY_S
        while True:
            try:
                committed = await self._store.commit(arrivals, refusals, heard, resolved)
            except StoreUnavailable as error:
                log.error("the record cannot be written, trying again in %.1f s: %s", wait, error)
                self._waiting = str(error)
                await asyncio.sleep(wait)
                wait = min(2 * wait, longest)
            else:
                self._waiting = ""
                return committed

    def _note(self, committed: Committed) -> None:
        for (source, epoch), progress in committed.progress.items():
            self._progress[source][epoch] = progress
            self._untold.add(source)
        if committed.reused:
            self._alarms["reused"] = (
                "numbers of a source were given twice: two edges speak under one source name, stop one of them"
            )
        if committed.conflicts:
            self._alarms["conflicts"] = (
                "events came twice with different content: a mapping changed without a new revision?"
            )
        self._something_untold.set()

    def _watch_epoch(self, source: str, epoch: int) -> None:
        known = self._progress.get(source)
        if known and epoch < max(known):
            self._alarms[f"epoch {source}"] = (
                f"{source}: an edge with an older outbox still speaks: two edges, or one with its clock set back"
            )

    async def _recall(self) -> None:
        for progress in await self._store.progress():
            self._progress[progress.source][progress.epoch] = progress

    # -- out ----------------------------------------------------------------------------------------------

    async def _give_receipts(self) -> None:
        while True:
            await self._something_untold.wait()
            self._something_untold.clear()
            sources, self._untold = self._untold, set()
            head = await self._store.head()
            for source in sorted(sources):
                message = receipt(
                    head.name, head.incarnation, source, self._progress[source].values(), self._now()
                )
                try:
                    await self._client.publish(
                        self._topics.receipt(source, head.name), dump(message), retain=True
                    )
                except BusUnavailable:
                    # Told again once connected: only what is told live lets an edge forget.
                    self._untold.add(source)
            if self._untold:
                await self._client.wait_connected()
                self._something_untold.set()
            await asyncio.sleep(RECEIPT_S)

    async def _beat(self) -> None:
        while True:
            await self._client.wait_connected()
            with contextlib.suppress(BusUnavailable):
                await self._tell()
            await asyncio.sleep(BEAT_S)

    async def _tell(self, gone: bool = False) -> None:
        head = await self._store.head()
        state = RecordState(
            record=head.name,
            incarnation=head.incarnation,
            events=head.number,
            commit=head.commit,
            condition="gone" if gone else "waiting" if self._waiting else "recording",
            detail=self._waiting,
            alarms=tuple(self._alarms.values()),
            issued=self._now(),
        )
        topic = self._topics.record_state(self._site, head.name)
        await (await self._client.publish(topic, dump(state), retain=True))

"""Takes what the bus brings, commits it, and only then acknowledges and gives receipts.

Messages that arrive while a commit is under way make up the next one and are examined meanwhile, so a quiet line commits
each event at once and a busy one hundreds together, without waiting for a timer. A store that cannot be written stops the
acknowledgements, nothing else: the broker and the outboxes hold what waits.
"""

import asyncio
import contextlib
import logging
import time
from collections import defaultdict
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Final, TypeVar

from broker_bridge.bus.mqtt import Client, Message
from broker_bridge.bus.topics import Topics, site_of
from broker_bridge.bus.wire import RecordState, SourceState, dump, parse_source_state
from broker_bridge.errors import BridgeError, BusUnavailable, StoreUnavailable, WireError
from broker_bridge.recorder.intake import examine
from broker_bridge.recorder.quarantine import retry_refusals
from broker_bridge.recorder.rates import Rates
from broker_bridge.recorder.receipts import receipt
from broker_bridge.recorder.twins import Twins
from broker_bridge.store.base import Arrival, Committed, Head, Heard, Progress, Refusal, StoreWriter

log = logging.getLogger(__name__)

BEAT_S: Final = 10.0
RECEIPT_S: Final = 0.1
"""A source gets at most one receipt in this time."""
RETRY_S: Final = (0.2, 5.0)
"""First and longest wait when the store cannot be written."""
SLOW_S: Final = 5.0
"""A store that has not answered for so long is told, though it has not failed: a stalled disk fails late or never."""

Answer = TypeVar("Answer")


def filters(topics: Topics) -> list[str]:
    """What the recorder's client has to subscribe to."""
    return [*topics.all_events(), topics.all_states()]


class _Intake:
    """What one commit takes."""

    def __init__(self) -> None:
        self.arrivals: list[Arrival] = []
        self.refusals: list[Refusal] = []
        self.heard: list[Heard] = []

    def __len__(self) -> int:
        return len(self.arrivals) + len(self.refusals) + len(self.heard)


class Recorder:
    """One record's recorder. `run` ends only when cancelled, or with a group that holds RecordDamaged.

    `window`: a commit takes no further message once it holds so many events.
    """

    def __init__(
        self,
        client: Client,
        store: StoreWriter,
        topics: Topics,
        *,
        site: str,
        window: int = 500,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._client = client
        self._store = store
        self._topics = topics
        self._site = site
        self._window = window
        self._now = now
        self._monotonic = monotonic
        self._head = Head("", 0, 0, 0)
        self._progress: dict[str, dict[int, Progress]] = defaultdict(dict)
        self._untold: set[str] = set()
        self._something_untold = asyncio.Event()
        self._changed = asyncio.Event()
        self._waiting = ""
        self._asked: float | None = None
        """When the store was asked what it has not answered yet."""
        self._alarms: dict[str, str] = {}
        self._twins = Twins()
        self._rates = Rates()

    async def run(self) -> None:
        """Record for ever."""
        mended = await self._insist(lambda: retry_refusals(self._store, self._topics, self._site))
        if mended:
            log.info("%d refused payloads are events now", mended)
        self._head = await self._insist(self._store.head)
        for progress in await self._insist(self._store.progress):
            self._progress[progress.source][progress.epoch] = progress
            # A receipt is what lets an edge forget: no other plant's edge may take one from this record.
            if site_of(progress.source) == self._site:
                self._untold.add(progress.source)
        self._something_untold.set()
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._record(group), name="recorder-intake")
                group.create_task(self._give_receipts(), name="recorder-receipts")
                group.create_task(self._beat(), name="recorder-state")
                group.create_task(self._client.watch(), name="recorder-client")
        finally:
            with contextlib.suppress(BridgeError, TimeoutError):
                async with asyncio.timeout(2.0):
                    await self._tell(gone=True)

    # -- in -----------------------------------------------------------------------------------------------

    async def _record(self, group: asyncio.TaskGroup) -> None:
        """Examine what comes while the commit before it is under way: one window in the store, one in hand."""
        settling: asyncio.Task[None] | None = None
        while True:
            first = await self._client.next()
            if first is None:
                continue
            messages, intake = [first], _Intake()
            self._sort(first, intake)
            self._fill(messages, intake)
            if settling is not None:
                await settling
                self._fill(messages, intake)
            settling = group.create_task(self._settle(messages, intake), name="recorder-commit")
            await asyncio.sleep(0)  # it begins now, not when nothing is left to examine

    def _fill(self, messages: list[Message], intake: _Intake) -> None:
        while len(intake) < self._window and (more := self._client.next_nowait()) is not None:
            messages.append(more)
            self._sort(more, intake)

    async def _settle(self, messages: list[Message], intake: _Intake) -> None:
        if len(intake):
            await self._commit(intake)
        self._client.ack(messages)

    def _sort(self, message: Message, intake: _Intake) -> None:
        live = not (message.retain or message.dup)
        address = self._topics.read(message.topic)
        if address is not None and address.kind == "state":
            if not address.of_site(self._site):
                return  # its events are refused with words, if any come
            if address.rest == ("source",) and (state := _state(message, address.source)) is not None:
                self._watch(state.source, state.epoch, live)
                intake.heard.append(Heard(state.source, state.epoch, state.last, message.payload))
            return
        speaks: tuple[str, str] | None = None
        for item in examine(self._topics, message.topic, message.payload, site=self._site):
            if isinstance(item, Arrival):
                if (item.event.source, item.event.epoch) != speaks:
                    speaks = item.event.source, item.event.epoch
                    self._watch(speaks[0], int(speaks[1]), live)
                intake.arrivals.append(item)
            else:
                intake.refusals.append(item)

    def _watch(self, source: str, epoch: int, live: bool) -> None:
        if live:
            self._twins.heard(source, epoch, self._monotonic())

    async def _commit(self, intake: _Intake) -> None:
        done = await self._insist(lambda: self._store.commit(intake.arrivals, intake.refusals, intake.heard))
        if done.commit:
            self._head = self._head._replace(commit=done.commit, number=self._head.number + done.new)
        for (source, epoch), progress in done.progress.items():
            self._progress[source][epoch] = progress
            self._untold.add(source)
            self._rates.heard(source, epoch, progress.last, self._monotonic())
        self._something_untold.set()
        if intake.refusals:
            last = intake.refusals[-1]
            log.warning(
                "%d payloads refused, the last on %s: %s", len(intake.refusals), last.topic, last.reason
            )
        self._judge(done)

    def _judge(self, done: Committed) -> None:
        before = dict(self._alarms)
        if done.reused:
            self._alarms["reused"] = (
                "numbers of a source were given twice: two edges speak under one source name, stop one of them"
            )
        if done.conflicts:
            self._alarms["conflicts"] = (
                "events came twice with different content: a mapping changed without a new revision?"
            )
        self._look_for_twins()
        self._look_for_floods()
        if self._alarms != before:
            self._changed.set()

    def _look_for_floods(self) -> None:
        self._alarms.pop("floods", None)
        if floods := self._rates.floods():
            self._alarms["floods"] = (
                "more events than any machine gives: a mapping, a machine or somebody with the login runs wild, or old files"
                f" are being read; all is recorded, look at the disk: {', '.join(floods)}"
            )

    def _look_for_twins(self) -> None:
        self._alarms.pop("twins", None)
        if twins := self._twins.found(self._monotonic()):
            self._alarms["twins"] = (
                f"two edges take turns under one source name, stop the one with the older outbox: {', '.join(twins)}"
            )

    async def _insist(self, ask: Callable[[], Awaitable[Answer]]) -> Answer:
        """Ask the store until it answers. Nothing is acknowledged meanwhile."""
        wait, longest = RETRY_S
        while True:
            self._asked = self._monotonic()
            try:
                answer = await ask()
            except StoreUnavailable as error:
                log.error("the record cannot be used, trying again in %.1f s: %s", wait, error)
                self._waiting = str(error)
                self._changed.set()
                await asyncio.sleep(wait)
                wait = min(2 * wait, longest)
            else:
                self._asked = None
                if self._waiting:
                    self._waiting = ""
                    self._changed.set()
                return answer

    # -- out ----------------------------------------------------------------------------------------------

    async def _give_receipts(self) -> None:
        while True:
            await self._something_untold.wait()
            self._something_untold.clear()
            sources, self._untold = self._untold, set()
            # Only what is told live lets an edge forget, so what did not reach the broker is told again.
            told = await asyncio.gather(*map(self._receipt, sorted(sources)), return_exceptions=True)
            for source, outcome in zip(sorted(sources), told, strict=True):
                if isinstance(outcome, BusUnavailable):
                    self._untold.add(source)
                elif outcome is not None:
                    raise outcome
            if self._untold:
                self._something_untold.set()
                await self._client.wait_connected()
            await asyncio.sleep(RECEIPT_S)

    async def _receipt(self, source: str) -> None:
        name, incarnation = self._head.name, self._head.incarnation
        message = receipt(name, incarnation, source, self._progress[source].values(), self._now())
        await (await self._client.publish(self._topics.receipt(source, name), dump(message), retain=True))

    async def _beat(self) -> None:
        while True:
            await self._client.wait_connected()
            self._changed.clear()
            self._look_for_twins()
            self._look_for_floods()
            with contextlib.suppress(BusUnavailable):
                await self._tell()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(BEAT_S):
                    await self._changed.wait()

    def _trouble(self) -> str:
        """Why nothing is recorded just now; empty when nothing is in the way."""
        if self._waiting or self._asked is None:
            return self._waiting
        waited = self._monotonic() - self._asked
        return (
            f"the record has not answered for {waited:.0f} s: its disk is stalled" if waited > SLOW_S else ""
        )

    async def _tell(self, gone: bool = False) -> None:
        trouble = self._trouble()
        state = RecordState(
            record=self._head.name,
            incarnation=self._head.incarnation,
            events=self._head.number,
            commit=self._head.commit,
            condition="gone" if gone else "waiting" if trouble else "recording",
            detail=trouble,
            alarms=(*self._alarms.values(), *filter(None, (self._client.trouble,))),
            issued=self._now(),
        )
        topic = self._topics.record_state(self._site, self._head.name)
        await (await self._client.publish(topic, dump(state), retain=True))


def _state(message: Message, source: str) -> SourceState | None:
    """What a source says of itself; None when it cannot be read or speaks of another source."""
    try:
        state = parse_source_state(message.payload)
    except WireError as error:
        log.warning("state on %s is not readable: %s", message.topic, error)
        return None
    if state.source != source:
        log.warning("state on %s says it is of %s: not heeded", message.topic, state.source)
        return None
    return state

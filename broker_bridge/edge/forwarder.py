"""Outbox to broker, receipts back.

Sends what `plan` asks for, source by source, one event a message; arrays when a source has fallen behind. Takes
the record's receipts, states gaps for what can no longer be given, and tells everyone every ten seconds how far
each source has got, so that a record knows of the tail it has not heard.
"""

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.bus.mqtt import Client, Message
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import (
    MAX_EPOCHS,
    EdgeState,
    EpochReceipt,
    Receipt,
    SourceState,
    dump,
    join_batch,
    parse_receipt,
)
from broker_bridge.edge.outbox import Held, Outbox
from broker_bridge.edge.plan import Plan, Range
from broker_bridge.errors import BridgeError, BusUnavailable, StoreUnavailable, WireError
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceGap

log = logging.getLogger(__name__)

BEAT_S: Final = 10.0
BATCH_FROM: Final = 200
"""From this many unsent events of a source on, they travel in arrays, which costs the record less an event."""
BATCH_EVENTS: Final = 100
BATCH_BYTES: Final = 512 * 1024
_TURN: Final = 400
"""Events of one source before the next source has its turn."""
_TRIM_S: Final = 60.0
_AWAY_S: Final = 60.0
"""Seconds a source may be away before somebody has to know."""


def receipt_filters(topics: Topics, sources: Iterable[str], record: str) -> list[str]:
    """What the forwarder's client has to subscribe to."""
    return [topics.receipt(source, record) for source in sources]


class _Stream:
    """One source on its way out."""

    def __init__(self, source: str, plan: Plan, adapter: str) -> None:
        self.source = source
        self.plan = plan
        self.adapter = adapter
        self.stated: set[tuple[int, int]] = set()
        self.receipt_issued: datetime | None = None


class Forwarder:
    """Runs until cancelled. Sources must be known to the outbox before `run`."""

    def __init__(
        self,
        outbox: Outbox,
        client: Client,
        topics: Topics,
        *,
        site: str,
        edge: str,
        record: str,
        keep: timedelta,
        sources: Sequence[str] | None = None,
        others: "Sequence[Forwarder] | None" = (),
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """`sources`: those it speaks for, by default all of the outbox. `others`: forwarders of the same edge; None for
        one that leaves speaking of the edge, and forgetting what is receipted, to another."""
        self._outbox = outbox
        self._others = others
        self._client = client
        self._topics = topics
        self._site = site
        self._edge = edge
        self._record = record
        self._keep = keep
        self._now = monotonic
        self._streams = {
            source: _Stream(
                source, Plan(outbox.level(source).receipted, monotonic()), source.rpartition("/")[2]
            )
            for source in (outbox.sources() if sources is None else sources)
        }
        self._receipts = {topics.receipt(source, record): source for source in self._streams}
        self._connection = 0
        self._incarnation = outbox.incarnation
        self._trimmed = monotonic()
        self.alarms: dict[str, tuple[str, ...]] = {}
        """Alarms by source; "" for the edge as a whole."""

    async def run(self) -> None:
        """Forward for ever; tell that the edge goes when cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._send(), name="forwarder-send")
                group.create_task(self._listen(), name="forwarder-listen")
                group.create_task(self._beat(), name="forwarder-beat")
                group.create_task(self._client.watch(), name="forwarder-client")
        finally:
            with contextlib.suppress(BridgeError, asyncio.TimeoutError):
                async with asyncio.timeout(2.0):
                    await self._tell(alive=False)

    # -- out ----------------------------------------------------------------------------------------------

    async def _send(self) -> None:
        while True:
            await self._client.wait_connected()
            if self._client.connection != self._connection:
                self._connection = self._client.connection
                for stream in self._streams.values():
                    stream.plan.disconnect()
            changed = self._outbox.changed
            self._follow_restore()
            busy = False
            try:
                for stream in self._streams.values():
                    busy = await self._send_some(stream) or busy
            except (BusUnavailable, StoreUnavailable) as error:
                log.warning("sending paused: %s", error)
                await asyncio.sleep(0.2)
                continue
            if not busy:
                with contextlib.suppress(asyncio.TimeoutError):
                    async with asyncio.timeout(0.5):
                        await changed.wait()

    async def _send_some(self, stream: _Stream) -> bool:
        last = self._outbox.level(stream.source).last
        wanted = stream.plan.next_range(last, self._now())
        if wanted is None:
            return False
        span, again = wanted
        held = await self._outbox.held(stream.source, span.first, span.last, _TURN)
        if not held or held[0].sequence > span.first:
            # Not held any more: the answer to whoever misses it is a stated gap, never silence.
            upto = min(span.last, held[0].sequence - 1) if held else span.last
            await self._state_gap(stream, self._outbox.epoch, Range(span.first, upto), "range_not_held")
            stream.plan.sent(upto, again)
            return True
        connection = self._client.connection
        if (span.last if again else last) - span.first + 1 >= BATCH_FROM:
            for group in _grouped(held):
                payload = join_batch([event.body for event in group])
                delivery = await self._client.publish(self._topics.batch(stream.source), payload)
                self._sent(stream, group[-1].sequence, again, connection, delivery)
        else:
            for event in held:
                topic = self._topics.event(stream.source, event.station, event.type)
                delivery = await self._client.publish(topic, event.body)
                self._sent(stream, event.sequence, again, connection, delivery)
        return True

    def _sent(
        self, stream: _Stream, upto: int, again: bool, connection: int, delivery: Awaitable[None]
    ) -> None:
        stream.plan.sent(upto, again)
        task = asyncio.ensure_future(delivery)

        def done(finished: "asyncio.Future[None]") -> None:
            arrived = not finished.cancelled() and finished.exception() is None
            if arrived and not again and connection == self._connection:
                stream.plan.acknowledge(upto, self._now())

        task.add_done_callback(done)

    # -- back ---------------------------------------------------------------------------------------------

    async def _listen(self) -> None:
        while True:
            message = await self._client.next(timeout=5.0)
            if message is None:
                continue
            source = self._receipts.get(message.topic)
            if source is not None:
                await self._heed(self._streams[source], message)
            self._client.ack([message])

    async def _heed(self, stream: _Stream, message: Message) -> None:
        try:
            receipt = parse_receipt(message.payload)
        except WireError as error:
            log.warning("receipt on %s is not readable: %s", message.topic, error)
            return
        if receipt.record != self._record or receipt.source != stream.source:
            return
        while True:
            try:
                await self._act_on(stream, receipt, live=not message.retain)
                return
            except StoreUnavailable as error:
                log.warning("receipt waits: %s", error)
                await asyncio.sleep(1.0)

    async def _act_on(self, stream: _Stream, receipt: Receipt, live: bool) -> None:
        self._follow_restore()
        mine = EpochReceipt(epoch=self._outbox.epoch, contiguous=0)
        for epoch in receipt.epochs:
            if epoch.epoch == self._outbox.epoch:
                mine = epoch
            elif epoch.epoch < self._outbox.epoch and not epoch.closed:
                await self._state_gap(stream, epoch.epoch, Range(epoch.contiguous + 1, -1), "outbox_lost")
        if not live or receipt.incarnation < self._outbox.incarnation:
            return
        told = {epoch.epoch for epoch in receipt.epochs}
        for lost in self._outbox.before[-MAX_EPOCHS:]:
            # A receipt tells of the youngest epochs only.
            if lost not in told and (len(told) < MAX_EPOCHS or lost > min(told)):
                await self._state_gap(stream, lost, Range(1, -1), "outbox_lost")
        younger = stream.receipt_issued is None or receipt.issued > stream.receipt_issued
        before = self._outbox.level(stream.source).receipted
        restored = receipt.incarnation > self._outbox.incarnation
        if not restored and mine.contiguous < before:
            if not younger:
                return  # delivered late: the record has said more since
            # A machine restored as a whole brings back the record with its own idea of what it has.
            log.warning(
                "%s: the record has %d events, it had %d: sending again",
                stream.source,
                mine.contiguous,
                before,
            )
        stream.receipt_issued = receipt.issued
        await self._outbox.receipt(stream.source, mine.contiguous, receipt.incarnation, forgotten=younger)
        if restored:
            self._follow_restore()
            self._outbox.wake()  # its other forwarders have to send again too
        elif mine.contiguous < before:
            stream.plan.restore(mine.contiguous, self._now())
        stream.plan.receive(
            min(mine.contiguous, self._outbox.level(stream.source).last),
            mine.missing,
            self._now(),
            mine.reached,
        )
        last = self._outbox.level(stream.source).last
        claimed = max([mine.contiguous, *(end for _, end in mine.missing)])
        fenced = receipt.fenced is not None and receipt.fenced > self._outbox.epoch
        self.alarms[stream.source] = (
            "another edge with a younger outbox speaks for this source: stop one of the two, or set this machine's clock: it"
            " was behind when this outbox was begun",
        ) * fenced + (
            f"a record has heard of number {claimed}, this edge gave {last}: another client publishes as this source",
        ) * (claimed > last)

    def _follow_restore(self) -> None:
        """Send again what a restored record lacks, whichever forwarder of this outbox has heard of it first."""
        if self._incarnation < self._outbox.incarnation:
            self._incarnation = self._outbox.incarnation
            if self._incarnation == self._outbox.met:
                return  # what is out to a record that is first heard of is on its way; where it is not, the stall sends it
            for stream in self._streams.values():
                stream.plan.restore(self._outbox.level(stream.source).receipted, self._now())

    async def _state_gap(self, stream: _Stream, epoch: int, span: Range, cause: str) -> None:
        key = (epoch, span.first)
        if key in stream.stated:
            return
        state_key = f"edge/gap/{epoch}/{span.first}"
        if await self._outbox.get_state(stream.source, state_key) is None:
            now = self._outbox.clock()
            detail = {
                "outbox_lost": "the edge began a new outbox; what the old one held and no record had is unknown",
                "range_not_held": "a record misses these events and the outbox no longer holds them",
            }[cause]
            gap = SourceGap(
                cause=cause,
                end=now,
                of_epoch=epoch,
                first=span.first,
                last=span.last if span.last >= span.first else None,
                detail=detail,
                origin=Origin(adapter=stream.adapter, time_means="taken_in", zone_basis="stated"),
            )
            taking = Taking(
                generation=f"edge-{self._outbox.epoch}-gap-{epoch}",
                position=span.first,
                revision=1,
                statements=(Statement(data=gap, time=now),),
            )
            await self._outbox.take(stream.source, [taking], {state_key: b"1"}, reserved=True)
            log.warning("%s: gap stated: %s", stream.source, detail)
        stream.stated.add(key)

    # -- condition ----------------------------------------------------------------------------------------

    async def _beat(self) -> None:
        while True:
            await self._client.wait_connected()
            try:
                await self._tell(alive=True)
                if self._others is not None and self._now() - self._trimmed > _TRIM_S:
                    self._trimmed = self._now()
                    await self._outbox.trim(self._keep)
            except (BusUnavailable, StoreUnavailable) as error:
                log.warning("state not told: %s", error)
            await asyncio.sleep(BEAT_S)

    async def _tell(self, alive: bool) -> None:
        now = self._outbox.clock()
        for stream in self._streams.values():
            level = self._outbox.level(stream.source)
            condition, detail, counters = self._outbox.condition(stream.source)
            state = SourceState(
                source=stream.source,
                epoch=self._outbox.epoch,
                last=level.last,
                oldest=await self._outbox.oldest_held(stream.source),
                condition=condition if alive else "stopped",
                detail=detail,
                backlog=level.backlog,
                backlog_bytes=level.backlog_bytes,
                ceiling_bytes=self._outbox.ceiling_bytes,
                counters=counters,
                alarms=(*self.source_alarms(stream.source), *self._unkept()),
                edge=self._edge,
                issued=now,
            )
            await (await self._client.publish(self._topics.state(stream.source), dump(state), retain=True))
        if self._others is None:
            return
        edge = EdgeState(edge=self._edge, alive=alive, alarms=self.edge_alarms(), issued=now)
        await (
            await self._client.publish(
                self._topics.edge_state(self._site, self._edge), dump(edge), retain=True
            )
        )

    def source_alarms(self, source: str) -> tuple[str, ...]:
        """What a person has to know about a source."""
        overdue = self._streams[source].plan.overdue(self._now())
        late = (
            (
                f"the broker acknowledged, but no receipt for {overdue:.0f} s:"
                " look at the broker's access list and at the recorder",
            )
            if overdue is not None
            else ()
        )
        return late + self._away(source) + self.alarms.get(source, ())

    def _away(self, source: str) -> tuple[str, ...]:
        """A machine, folder or share that is not reached for longer than a pause of the network."""
        condition, detail, _ = self._outbox.condition(source)
        lasting = self._outbox.lasting(source)
        if condition != "away" or lasting < _AWAY_S:
            return ()
        return (f"not reached for {lasting / 60:.0f} min: {detail}",)

    def _unkept(self) -> tuple[str, ...]:
        trouble = self._outbox.trouble
        return (
            (f"events cannot be kept in the outbox: {trouble}; files wait, live machines are not heard",)
            if trouble
            else ()
        )

    def alarms_to_tell(self) -> tuple[str, ...]:
        """What another has to tell, since a broker that drops what is published here drops the alarm too."""
        sources = list(self._streams)
        trouble = (self._client.trouble,) if self._client.trouble else ()
        alarms = (*trouble, *(alarm for source in sources for alarm in self.source_alarms(source)))
        return tuple(f"{', '.join(sources)}: {alarm}" for alarm in alarms)

    def edge_alarms(self) -> tuple[str, ...]:
        """What a person has to know about the edge as a whole."""
        used = self._outbox.backlog_bytes()
        full = (
            (
                f"outbox is at its ceiling: {used:,} of {self._outbox.ceiling_bytes:,} bytes wait; files wait too",
            )
            if used > 0.95 * self._outbox.ceiling_bytes
            else ()
        )
        trouble = (self._client.trouble,) if self._client.trouble else ()
        others = tuple(alarm for other in self._others or () for alarm in other.alarms_to_tell())
        return full + self._unkept() + trouble + others + self._unspoken() + self.alarms.get("", ())

    def _unspoken(self) -> tuple[str, ...]:
        """Sources of the outbox for which nobody speaks."""
        spoken = set(self._streams).union(*(other._streams for other in self._others or ()))
        return tuple(
            f"{source}: {self._outbox.level(source).backlog:,} events wait, and the adapter is not configured: it has no"
            " login; configure it again until they are in the record"
            for source in self._outbox.sources()
            if source not in spoken and self._outbox.level(source).backlog
        )


def _grouped(events: Sequence[Held]) -> list[list[Held]]:
    groups: list[list[Held]] = []
    size = BATCH_BYTES
    for event in events:
        if size + len(event.body) > BATCH_BYTES or len(groups[-1]) >= BATCH_EVENTS:
            groups.append([])
            size = 0
        groups[-1].append(event)
        size += len(event.body)
    return groups

"""The adapter: machines that speak CFX, from a broker's queue or connecting to us.

A message is accepted when its events and what is remembered of it are in the outbox, in one transaction. Until then it lies
where it came from: with the broker, or with the machine, which sends it again. So nothing is lost while we are away, and
no gap has to be stated; what the broker's queue itself drops (a limit, a time to live, another reader) nobody can see here.
"""

import asyncio
import logging
import random
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from itertools import count
from typing import Any, Final

from broker_bridge.adapters.base import SourceWriter, Statement, Taking
from broker_bridge.adapters.cfx.adapter import retry
from broker_bridge.adapters.cfx.adapter.inbox import Delivered, Inbox, from_queue, listening
from broker_bridge.adapters.cfx.adapter.ledger import Ledger
from broker_bridge.adapters.cfx.adapter.machines import Machines
from broker_bridge.adapters.cfx.adapter.reactor import login, proton
from broker_bridge.adapters.cfx.adapter.remembered import REJECTED, SEEN, TRANSACTION
from broker_bridge.adapters.cfx.mapping import Mapper
from broker_bridge.adapters.cfx.protocol import envelope as wire
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope, Limits
from broker_bridge.adapters.cfx.protocol.writing import CONTENT_TYPE, not_supported
from broker_bridge.config import CfxAdapter
from broker_bridge.errors import OutboxFull, SourceUnavailable, StoreUnavailable
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected, SourceDisconnected

log = logging.getLogger(__name__)

_BATCH: Final = 200
_FIRST_WAIT_S: Final = 0.5
_LONGEST_WAIT_S: Final = 60.0
_REQUESTS_S: Final = 10.0
_CONNECTIONS: Final = "connections"


def _now() -> datetime:
    return datetime.now(UTC)


class CfxMachines:
    """Hears the machines of one adapter (Adapter). It asks them for nothing and changes nothing."""

    def __init__(self, config: CfxAdapter, *, clock: Callable[[], datetime] = _now) -> None:
        """Raises ConfigError for a login that cannot be used, UsageError where the extra is not installed."""
        proton()
        self._config = config
        self._clock = clock
        self._mapper = Mapper(config)
        self._machines = Machines(config)
        self._limits = Limits(size=int(config.max_message_mb * 2**20))
        self._login = (
            login(config.broker, f"adapters.{config.name}.broker") if config.broker is not None else None
        )
        self._where = config.address or (
            f"{config.listen.host}:{config.listen.port}" if config.listen else ""
        )
        self._trouble = ""
        self._here = False
        self.port: asyncio.Future[int] | None = None
        """The port that is listened on, once it is."""
        self._drafting = asyncio.Lock()
        """Held from a draft of the ledger until it is applied."""

    async def run(self, writer: SourceWriter) -> None:
        """Hear them until cancelled."""
        self.port = asyncio.get_running_loop().create_future()
        ledger = await self._ledger(writer)
        async with asyncio.TaskGroup() as group:
            group.create_task(self._answer_requests(writer, ledger), name=f"{self._config.name} requests")
            group.create_task(self._hear(writer, ledger), name=f"{self._config.name} hear")
            group.create_task(self._look(writer), name=f"{self._config.name} look")

    async def _hear(self, writer: SourceWriter, ledger: Ledger) -> None:
        wait = _FIRST_WAIT_S
        while True:
            began = _monotonic()
            connected = False
            try:
                async with self._inbox() as inbox:
                    connected = self._here = True
                    await self._state_connected(writer)
                    if self.port is not None and not self.port.done():
                        self.port.set_result(inbox.port)
                    self._tell(writer)
                    while True:
                        delivered = await inbox.next(_BATCH)
                        async with self._drafting:
                            await self._take(delivered, inbox, ledger, writer)
            except SourceUnavailable as error:
                self._here = False
                if not connected and str(error) != self._trouble:
                    log.warning("%s: not connected to %s: %s", writer.source, self._where, error)
                self._trouble = str(error)
            self._tell(writer)
            if connected:
                log.warning("%s: no longer connected to %s: %s", writer.source, self._where, self._trouble)
                await self._state_gone(writer, self._trouble)
            if _monotonic() - began > _LONGEST_WAIT_S:
                wait = _FIRST_WAIT_S
            await asyncio.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(2 * wait, _LONGEST_WAIT_S)

    def _inbox(self) -> Inbox:
        name = f"broker-bridge.{self._config.name}"
        if self._login is not None and self._config.address is not None:
            return from_queue(self._login, self._config.address, self._config.window, name)
        assert self._config.listen is not None, "the configuration has one of the two"
        return listening(self._config.listen, self._config.window, name)

    async def _take(
        self, delivered: Sequence[Delivered], inbox: Inbox, ledger: Ledger, writer: SourceWriter
    ) -> None:
        """Keep what came, however long that takes, and accept it then."""
        taken = self._clock()
        messages = [(one, found) for one in delivered for found in self._read(one)]
        wait = _FIRST_WAIT_S
        while True:
            draft = ledger.draft(self._mapper)
            for one, message in messages:
                draft.add(message, taken, f"{self._where} {one.peer}".strip())
            try:
                for raw in draft.archive.values():
                    await writer.archive(raw)
                state = draft.state()
                if draft.takings or state:
                    await writer.take(draft.takings, state)
                break
            except (OutboxFull, StoreUnavailable) as error:
                # Nothing is accepted: the messages stay where they are, and the credit with them.
                self._trouble = str(error)
                writer.report("waiting", str(error))
            await asyncio.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(2 * wait, _LONGEST_WAIT_S)
        draft.apply()
        self._trouble = ""
        for one, message in messages:
            self._answer(one, message, inbox)
        inbox.accept(one.number for one in delivered)
        writer.count(messages=len(messages), **draft.counts)
        self._machines.heard(draft.signs, _monotonic())
        self._tell(writer)

    def _read(self, one: Delivered) -> Sequence[Envelope | Broken]:
        if one.problem is not None:
            return [Broken(one.body, one.problem, "encoding")]
        return self._unpacked(one.body, one.encoding)

    def _unpacked(self, body: bytes, encoding: str | None) -> Sequence[Envelope | Broken]:
        return wire.read(body, encoding, self._limits)

    def _answer(self, one: Delivered, message: Envelope | Broken, inbox: Inbox) -> None:
        """A request is answered at once that we do not do that: a machine must not wait for us."""
        if isinstance(message, Broken) or one.reply_to is None or not message.name.endswith("Request"):
            return
        reply = not_supported(message.source, message.request_id, self._clock())
        inbox.answer(
            one.number,
            reply,
            {"address": one.reply_to, "content_type": CONTENT_TYPE, "correlation_id": message.request_id},
        )

    async def _ledger(self, writer: SourceWriter) -> Ledger:
        while True:
            try:
                kept = {
                    key: value
                    for prefix in (SEEN, TRANSACTION, REJECTED)
                    for key, value in (await writer.states(prefix)).items()
                }
            except StoreUnavailable as error:
                writer.report("waiting", str(error))
                await asyncio.sleep(_LONGEST_WAIT_S / 10)
                continue
            return Ledger(kept, messages=self._config.remember, transactions=self._config.transactions)

    # -- what we say of ourselves -------------------------------------------------------------------------

    async def _state_connected(self, writer: SourceWriter) -> None:
        detail = "reads the queue" if self._login is not None else "listens for machines"
        await self._state(writer, SourceConnected, detail=f"{detail} {self._where}"[:1000])

    async def _state_gone(self, writer: SourceWriter, why: str) -> None:
        detail = f"{self._where}: {why}; what comes meanwhile waits there"[:1000]
        await self._state(writer, SourceDisconnected, detail=detail)

    async def _state(self, writer: SourceWriter, kind: Any, detail: str) -> None:
        now = self._clock()
        with suppress(OutboxFull, StoreUnavailable):  # worth knowing, and nothing that is lost with it
            number = int(await writer.state(_CONNECTIONS) or b"0") + 1
            origin = Origin(adapter=self._config.name, time_means="taken_in", zone_basis="stated")
            statement = Statement(kind(origin=origin, detail=detail), now)
            taking = Taking(f"c-{number}-{now:%Y%m%dT%H%M%SZ}", 0, 1, (statement,))
            await writer.take([taking], {_CONNECTIONS: str(number).encode("ascii")}, reserved=True)

    async def _answer_requests(self, writer: SourceWriter, ledger: Ledger) -> None:
        while True:
            try:
                for request in await writer.requests():
                    async with self._drafting:
                        outcome = await retry.answer(request, writer, ledger, self._mapper, self._unpacked)
                    await writer.answer(request, outcome)
            except (OutboxFull, StoreUnavailable) as error:
                log.warning("%s: a request has to wait: %s", writer.source, error)
            await asyncio.sleep(_REQUESTS_S)

    async def _look(self, writer: SourceWriter) -> None:
        """Notice now and then that a machine has gone silent."""
        for _ in count():
            await asyncio.sleep(_REQUESTS_S)
            self._tell(writer)

    def _tell(self, writer: SourceWriter) -> None:
        if not self._here:
            writer.report("away", f"{self._where}: {self._trouble or 'not connected yet'}")
            return
        if self._trouble:
            return  # said where it happened
        now = _monotonic()
        silent = self._machines.silent(now)
        writer.report("away" if silent else "reading", f"{self._where}: {self._machines.told(now)}")


def _monotonic() -> float:
    return asyncio.get_running_loop().time()

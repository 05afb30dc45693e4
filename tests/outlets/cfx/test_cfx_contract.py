"""The CFX outlet keeps the contract of all outlets, with RabbitMQ as the plant's broker."""

import asyncio
import contextlib
import uuid
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from contracts.outlet_contract import EventKey, OutletContract
from rabbit import Rabbit

from broker_bridge.adapters.cfx.adapter.inbox import Inbox, from_queue
from broker_bridge.adapters.cfx.adapter.reactor import Login
from broker_bridge.adapters.cfx.protocol.envelope import Envelope, read
from broker_bridge.adapters.cfx.protocol.writing import Sending, unique_id, write
from broker_bridge.config import CfxOutlet
from broker_bridge.outlets.base import Outgoing
from broker_bridge.outlets.cfx import CfxPlant
from broker_bridge.outlets.cfx.publisher import TAKEN, Publisher
from broker_bridge.store.sqlite_reader import SqliteReader

pytestmark = [pytest.mark.server("rabbitmq-server"), pytest.mark.timeout(120)]

QUEUE = "/amq/queue/plant-system"
MARKER = "CFX.NotSupportedResponse"


class Wire:
    """The way to the broker, which can be cut: a restart of RabbitMQ takes seconds (test_cfx_rabbit.py does that)."""

    def __init__(self, behind: int) -> None:
        self._behind = behind
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.StreamWriter] = set()
        self.port = 0

    async def up(self) -> None:
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def down(self) -> None:
        assert self._server is not None
        self._server.close()
        for end in list(self._open):
            end.close()
        await self._server.wait_closed()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, back = await asyncio.open_connection("127.0.0.1", self._behind)
        self._open |= {writer, back}
        async with asyncio.TaskGroup() as group:
            group.create_task(self._pass_on(reader, back))
            group.create_task(self._pass_on(there, writer))

    async def _pass_on(self, source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
        try:
            while some := await source.read(65536):
                target.write(some)
                await target.drain()
        except ConnectionError:
            pass
        finally:
            self._open.discard(target)
            target.close()


class Aside(CfxPlant):
    """The outlet, with a subject that no queue is bound for where the test says so: RabbitMQ has no other way to refuse one
    message and take the next."""

    def __init__(self, config: CfxOutlet, bad: set[EventKey]) -> None:
        super().__init__(config, window=20)
        self._bad = bad

    def _sendings(self, event: Outgoing) -> list[Sending]:
        sendings = super()._sendings(event)
        if (event.fact.source, event.fact.id) in self._bad:
            return [replace(sending, subject=f"Nobody.{sending.subject}") for sending in sendings]
        return sendings


class PlantSystem:
    """Reads a queue at the broker; what came is known by the UniqueIDs of the record's events."""

    def __init__(self, wire: Wire, record: Path, inbox: Inbox, marker: Publisher) -> None:
        self._wire = wire
        self._record = record
        self._inbox = inbox
        self._marker = marker
        self._taken: list[str | None] = []
        self._bad: set[EventKey] = set()
        self.down, self.up = wire.down, wire.up

    def outlet(self) -> CfxPlant:
        fields = {
            "kind": "cfx", "name": "mes", "broker": {"url": f"amqp://127.0.0.1:{self._wire.port}"},
            "address": "/exchange/plant", "proof": "/amq/queue/unrouted", "heartbeat_s": 0, "answer_s": 5,
        }  # fmt: skip
        return Aside(CfxOutlet.model_validate(fields), self._bad)

    async def got(self) -> Sequence[EventKey]:
        await self.read()
        reader = SqliteReader(self._record)
        try:
            keys = [(fact.source, fact.id) for fact in reader.after(0, 100_000)]
        finally:
            reader.close()
        named = {unique_id(f"{source}\n{event}\n0"): (source, event) for source, event in keys}
        return [named[one] for one in self._taken if one is not None]

    async def read(self) -> None:
        """Everything that is in the queue now, up to a mark put behind it."""
        mark = str(uuid.uuid4())
        sending = write(MARKER, {}, handle="mark", unique_id=mark, at=datetime.now(UTC), subject="")
        assert await self._marker.publish([sending]) == [TAKEN]
        marked = False
        while not marked:
            some = await self._inbox.next(500)
            self._inbox.accept(one.number for one in some)
            for one in some:
                (message,) = read(one.body, one.encoding)
                assert isinstance(message, Envelope)
                marked = marked or message.unique_id == mark
                if message.name == "CFX.Production.UnitsArrived":
                    self._taken.append(message.unique_id)

    def forget(self) -> None:
        """What a test before this one left."""
        self._taken.clear()

    async def refuse(self, keys: Sequence[EventKey]) -> None:
        self._bad.clear()
        self._bad.update(keys)


class TestCfx(OutletContract):
    @pytest.fixture(autouse=True)
    def _broker(self, rabbit: Rabbit) -> None:
        self.rabbit = rabbit

    @contextlib.asynccontextmanager
    async def receiver(self, folder: Path) -> AsyncIterator[PlantSystem]:  # type: ignore[override]
        wire = Wire(self.rabbit.port)
        await wire.up()
        login = Login(self.rabbit.url, None, None, None, None)
        try:
            async with (
                from_queue(login, QUEUE, 500, "plant system") as inbox,
                Publisher(login, QUEUE, None, "marks", 10.0) as marker,
            ):
                system = PlantSystem(wire, folder / "record.db", inbox, marker)
                await system.read()
                system.forget()
                yield system
        finally:
            await wire.down()

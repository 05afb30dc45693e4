"""CFX in and out over RabbitMQ: an AMQP 1.0 broker of another maker, killed and started again in mid-flow."""

import asyncio
import contextlib
import json
from collections import Counter
from collections.abc import AsyncIterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from contracts.outlet_contract import Setting
from fakes import MemorySourceWriter
from rabbit import Rabbit
from servers import until

from broker_bridge.adapters.cfx.adapter import CfxMachines
from broker_bridge.adapters.cfx.adapter.inbox import from_queue
from broker_bridge.adapters.cfx.adapter.reactor import Login
from broker_bridge.adapters.cfx.protocol.envelope import Envelope, read
from broker_bridge.adapters.cfx.protocol.names import topic
from broker_bridge.adapters.cfx.protocol.writing import unique_id
from broker_bridge.config import CfxAdapter, CfxOutlet
from broker_bridge.outlets.cfx import CfxPlant
from broker_bridge.outlets.cursor import letters, standing

pytestmark = [pytest.mark.server("rabbitmq-server"), pytest.mark.timeout(180)]


def outlet(rabbit: Rabbit, **more: Any) -> CfxPlant:
    fields = {
        "kind": "cfx", "name": "mes", "broker": {"url": rabbit.url}, "address": "/exchange/plant",
        "proof": "/amq/queue/unrouted", "heartbeat_s": 0,
    }  # fmt: skip
    return CfxPlant(CfxOutlet.model_validate(fields | more))


async def drained(rabbit: Rabbit, queue: str, last: str) -> list[tuple[Envelope, str]]:
    """The messages of a queue up to the first of the name `last`; gives up when none comes for a while."""
    found: list[tuple[Envelope, str]] = []
    async with from_queue(
        Login(rabbit.url, None, None, None, None), f"/amq/queue/{queue}", 500, "drain"
    ) as inbox:
        with contextlib.suppress(TimeoutError):
            while not found or found[-1][0].name != last:
                async with asyncio.timeout(5.0):
                    some = await inbox.next(500)
                for one in some:
                    (message,) = read(one.body, one.encoding)
                    assert isinstance(message, Envelope)
                    found.append((message, one.peer))
                inbox.accept(one.number for one in some)
        await asyncio.sleep(0.1)  # the last acceptances leave
    return found


def ours(found: Sequence[tuple[Envelope, str]]) -> list[Envelope]:
    """Without what we say of ourselves."""
    return [message for message, _ in found if topic(message.name) != "CFX"]


def test_the_record_arrives_as_cfx_each_in_the_name_of_its_station(rabbit: Rabbit, tmp_path: Path) -> None:
    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 50)
        async with setting.running(outlet(rabbit, heartbeat_s=0.2)):
            await setting.reaches(50)
            await asyncio.sleep(0.5)  # two heartbeats
        found = await drained(rabbit, "plant-system", "CFX.EndpointShuttingDown")
        messages = ours(found)
        assert [message.unique_id for message in messages] == [
            unique_id(f"{source}\n{event}\n0") for source, event in setting.events()
        ]
        assert {message.source for message, _ in found} == {"BrokerBridge.line-1.printer-1"}
        kinds = Counter(message.name for message, _ in found)
        assert kinds["CFX.Production.UnitsArrived"] == 50
        assert kinds["CFX.EndpointConnected"] == kinds["CFX.EndpointShuttingDown"] == 1
        assert kinds["CFX.Heartbeat"] >= 1
        assert found[0][0].name == "CFX.EndpointConnected"
        assert found[-1][0].name == "CFX.EndpointShuttingDown"
        assert letters(setting.position) == []

    asyncio.run(play())


def test_what_the_broker_accepts_and_routes_nowhere_is_noticed(rabbit: Rabbit, tmp_path: Path) -> None:
    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 12)
        async with setting.running(outlet(rabbit, handle="Nobody.${station}")):
            await setting.reaches(12)
        dead = letters(setting.position)
        assert [(letter.source, letter.event) for letter in dead] == setting.events()
        assert {letter.code for letter in dead} == {"unroutable"}
        assert await drained(rabbit, "unrouted", "any") == []

    asyncio.run(play())


def test_an_exchange_that_is_not_there_delays_and_says_so(rabbit: Rabbit, tmp_path: Path) -> None:
    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 3)
        async with setting.running(outlet(rabbit, address="/exchange/no-such-exchange", proof=None)):
            await until(
                lambda: setting.position.exists() and standing_of(setting) == "waiting", "the outlet waits"
            )
            assert "no-such-exchange" in standing(setting.position).detail
            assert setting.stands_at() == 0

    asyncio.run(play())


def standing_of(setting: Setting) -> str:
    try:
        return standing(setting.position).condition
    except Exception:
        return ""


@contextlib.asynccontextmanager
async def hearing(rabbit: Rabbit, writer: MemorySourceWriter) -> AsyncIterator[None]:
    config = CfxAdapter.model_validate(
        {
            "kind": "cfx", "name": "cfx", "area": "smt", "line": "line-1", "broker": {"url": rabbit.url},
            "address": "/amq/queue/plant-system", "window": 20,
            "machines": [{"handle": "BrokerBridge.line-1.printer-1", "station": "printer-1"}],
        }
    )  # fmt: skip
    task = asyncio.create_task(
        CfxMachines(config, clock=lambda: datetime(2026, 11, 25, tzinfo=UTC)).run(writer)
    )
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])


def test_out_and_in_again_over_a_broker_that_is_killed(rabbit: Rabbit, tmp_path: Path) -> None:
    """Nothing lost and nothing doubled; tools/campaign/cfx.py does the same with 20,000 messages and two kills."""

    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 600, each=100)
        writer = MemorySourceWriter()

        def told(kind: str) -> list[str | None]:
            return [s.subject for t in writer.takings for s in t.statements if kind == s.data.TYPE]

        async with hearing(rabbit, writer):
            async with setting.running(outlet(rabbit)):
                await setting.reaches(200)
                await asyncio.to_thread(rabbit.kill)
                await setting.commit(601, 700, each=100)
                await asyncio.to_thread(rabbit.start)
                await setting.reaches(700)
                await until(lambda: len(told("board.arrived")) >= 700, "everything has come", 60.0)
            # The broker that was killed, and the outlet's own goodbye.
            await until(lambda: len(told("source.disconnected")) >= 2, "the goodbye has come", 60.0)
        names = sorted(name or "" for name in told("board.arrived"))
        assert names == [f"HW-{number:04}" for number in range(1, 701)]
        assert letters(setting.position) == []
        assert not told("source.rejected")
        assert json.dumps(writer.counters)

    asyncio.run(play())

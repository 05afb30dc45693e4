"""CFX over TLS, in and out: RabbitMQ with a certificate of an authority of our own making, and machines that connect to us.

Outside check: the TLS of RabbitMQ (Erlang's) and of Qpid Proton (OpenSSL) take what our authority signed.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from cfx_machine import config, said
from contracts.outlet_contract import Setting
from fakes import MemorySourceWriter
from rabbit import Rabbit
from servers import until

from broker_bridge.adapters.cfx.adapter import CfxMachines
from broker_bridge.adapters.cfx.adapter.trust import explained
from broker_bridge.config import CfxAdapter, CfxOutlet
from broker_bridge.errors import ConfigError, NotFound
from broker_bridge.outlets.cfx import CfxPlant
from broker_bridge.outlets.cursor import standing

pytestmark = [pytest.mark.server("rabbitmq-server"), pytest.mark.timeout(120)]


@pytest.fixture
def login(tmp_path: Path) -> dict[str, Any]:
    secret = tmp_path / "password"
    secret.write_text("guest\n")
    secret.chmod(0o600)
    return {"username": "guest", "password_file": secret}


def server(rabbit: Rabbit, authority: Path | None, host: str = "localhost", **more: Any) -> dict[str, Any]:
    return {"url": f"amqps://{host}:{rabbit.tls_port}", "ca_file": authority, **more}


def outlet(broker: dict[str, Any]) -> CfxPlant:
    fields = {
        "kind": "cfx", "name": "mes", "broker": broker, "address": "/exchange/plant", "proof": "/amq/queue/unrouted",
        "heartbeat_s": 0,
    }  # fmt: skip
    return CfxPlant(CfxOutlet.model_validate(fields))


@contextlib.asynccontextmanager
async def hearing(adapter: CfxAdapter, writer: MemorySourceWriter) -> AsyncIterator[CfxMachines]:
    machines = CfxMachines(adapter)
    task = asyncio.create_task(machines.run(writer))
    try:
        yield machines
    finally:
        task.cancel()
        await asyncio.wait([task])


def from_queue(broker: dict[str, Any]) -> CfxAdapter:
    return config(
        broker=broker, address="/amq/queue/plant-system",
        machine={"handle": "BrokerBridge.line-1.printer-1", "station": "printer-1"},
    )  # fmt: skip


@pytest.mark.parametrize("virtual_host", [None, "vhost:/"])
def test_out_and_in_again_with_our_own_authority(
    rabbit: Rabbit,
    authorities: dict[str, Path],
    login: dict[str, Any],
    tmp_path: Path,
    virtual_host: str | None,
) -> None:
    broker = server(rabbit, authorities["known"], virtual_host=virtual_host, **login)

    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 25)
        writer = MemorySourceWriter()
        async with hearing(from_queue(broker), writer), setting.running(outlet(broker)):
            await setting.reaches(25)
            await until(lambda: names(writer) == [f"HW-{n:04}" for n in range(1, 26)], "they are heard")

    asyncio.run(play())


def names(writer: MemorySourceWriter) -> list[str | None]:
    return [s.subject for t in writer.takings for s in t.statements if s.data.TYPE == "board.arrived"]


@pytest.mark.parametrize(
    ("host", "authority", "words"),
    [
        ("127.0.0.1", "known", "certificate is not valid for '127.0.0.1': reach the broker by a name"),
        ("localhost", "other", "the authority of the broker's certificate is not known by ca_file"),
        ("localhost", None, "is not known by this system's authorities (no ca_file is given)"),
    ],
)
def test_a_broker_that_is_not_who_it_should_be_gets_nothing_and_it_is_told_why(
    rabbit: Rabbit, authorities: dict[str, Path], tmp_path: Path, host: str, authority: str | None, words: str
) -> None:
    broker = server(rabbit, authority and authorities[authority], host)

    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 3)
        writer = MemorySourceWriter()

        def detail() -> str:
            try:
                return standing(setting.position).detail
            except NotFound:
                return ""

        async with hearing(from_queue(broker), writer), setting.running(outlet(broker)):
            await until(lambda: words in detail(), "the outlet tells why")
            await until(lambda: any(words in told for _, told in writer.reports), "the source tells why")
            assert writer.condition == "away"
        assert setting.stands_at() == 0
        assert writer.takings == []

    asyncio.run(play())


def test_the_wrong_port_for_tls_or_for_none_is_told(rabbit: Rabbit, authorities: dict[str, Path]) -> None:
    plain, secured = f"localhost:{rabbit.port}", f"localhost:{rabbit.tls_port}"

    async def why(broker: dict[str, Any]) -> str:
        writer = MemorySourceWriter()
        async with hearing(from_queue(broker), writer):
            await until(lambda: writer.reports, "it gives up")
            return writer.reports[-1][1]

    told = asyncio.run(why({"url": f"amqps://{plain}", "ca_file": authorities["known"]}))
    assert f"{plain} answers, and speaks no TLS there" in told
    told = asyncio.run(why({"url": f"amqp://{secured}"}))
    assert f"{secured} speaks TLS, and the url says amqp://" in told


def test_a_ca_file_without_a_certificate_is_refused_at_once(rabbit: Rabbit, tmp_path: Path) -> None:
    path = tmp_path / "ca.pem"
    path.write_text("not a certificate\n")
    with pytest.raises(ConfigError, match=r"outlets\.mes\.broker\.ca_file = .*holds no certificate"):
        outlet(server(rabbit, path))


def test_machines_connect_to_us_over_tls(authorities: dict[str, Path]) -> None:
    listen = {"port": 0, "cert_file": authorities["certificate"], "key_file": authorities["key"]}

    def send(port: int, authority: Path, host: str = "localhost") -> None:
        from proton import Message, SSLDomain
        from proton.utils import BlockingConnection

        domain = SSLDomain(SSLDomain.MODE_CLIENT)
        domain.set_trusted_ca_db(str(authority))
        domain.set_peer_authentication(SSLDomain.VERIFY_PEER_NAME)
        connection = BlockingConnection(f"amqps://{host}:{port}", timeout=10, ssl_domain=domain)
        try:
            body = said("UnitsArrived", {"PrimaryIdentifier": "HW-1"})
            connection.create_sender("bridge").send(Message(body=body, inferred=True), timeout=10)
        finally:
            connection.close()

    async def play() -> None:
        writer = MemorySourceWriter()
        async with hearing(config(listen=listen), writer) as machines:
            await until(lambda: machines.port is not None and machines.port.done(), "it listens")
            assert machines.port is not None
            port = machines.port.result()
            for authority, host in (("other", "localhost"), ("known", "127.0.0.1")):
                with pytest.raises(Exception, match="certificate verify failed"):
                    await asyncio.to_thread(send, port, authorities[authority], host)
            await asyncio.to_thread(send, port, authorities["known"])
            assert names(writer) == ["HW-1"]
            assert writer.reports[-1][0] == "reading"

    asyncio.run(play())


def test_what_is_no_matter_of_tls_stays_as_it_was_said() -> None:
    said_ = "amqp:not-found: no queue 'bridge'"
    assert asyncio.run(explained(said_, "amqps://localhost:1", None)) == said_
    failed = "SSL Failure: error:0A000086:SSL routines::certificate verify failed"
    assert (
        asyncio.run(explained(failed, "amqps://localhost:1", None)) == f"TLS: {failed}"
    )  # nobody there to ask

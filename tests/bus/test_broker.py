import asyncio
import contextlib
import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from servers import Embedded, free_port, until

from broker_bridge.bus import broker as broker_module
from broker_bridge.bus.broker import EmbeddedBroker, address
from broker_bridge.bus.credentials import login
from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.securing import secure
from broker_bridge.config import Broker, Settings
from broker_bridge.errors import BusUnavailable, ConfigError


def run(story: Coroutine[Any, Any, None]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(45):
            await story

    asyncio.run(limited())


def running(pid: int) -> bool:
    """Whether the process runs; one that ended and was not collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_a_free_port_is_chosen_once_and_found_by_others(tmp_path: Path) -> None:
    settings = Broker(port=0, store=tmp_path / "broker")

    async def story() -> None:
        with pytest.raises(BusUnavailable, match=r"broker\.json"):
            address(settings)
        addresses = []
        for _ in range(2):
            broker = EmbeddedBroker(settings)
            addresses.append(await broker.start())
            assert address(settings) == addresses[-1]
            state = json.loads((settings.store / "broker.json").read_text())
            assert state == {
                "host": "127.0.0.1",
                "port": addresses[-1][1],
                "pid": os.getpid(),
                "server_pid": broker.server_pid,
            }
            async with Client(host="127.0.0.1", port=state["port"], client_id="c") as client:
                await client.wait_connected()
            await broker.stop()
            assert not listens(state["port"])
            assert address(settings) == addresses[-1]  # clients wait there for it to come back
        assert addresses[0] == addresses[1]

    run(story())


def test_a_second_broker_on_the_same_folder_is_refused_by_name(embedded: Embedded, tmp_path: Path) -> None:
    settings = Broker(port=0, store=tmp_path / "broker")

    async def story() -> None:
        second = EmbeddedBroker(settings)
        with pytest.raises(ConfigError, match=f"in use by process {os.getpid()} ") as caught:
            await second.start()
        assert str(settings.store) in str(caught.value)
        await second.stop()
        assert address(settings) == (embedded.host, embedded.port)
        assert listens(embedded.port)

    run(story())


def test_a_program_that_dies_is_started_again_on_its_port(tmp_path: Path) -> None:
    async def story() -> None:
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker"))
        host, port = await broker.start()
        keeping = asyncio.create_task(broker.wait())
        async with Client(
            host=host, port=port, client_id="reader", filters=["t"], back_off=(0.01, 0.1)
        ) as reader:
            for connection in (1, 2, 3):
                await until(lambda n=connection: reader.connected and reader.connection == n, "connected")  # type: ignore[misc]
                if connection > 1:
                    assert reader.session_present
                pid = broker.server_pid
                assert pid is not None
                if connection < 3:
                    os.kill(pid, signal.SIGKILL)
        await broker.stop()
        await keeping
        assert not running(pid)
        assert broker.server_pid is None

    run(story())


PARENT = """
import asyncio, sys
from pathlib import Path
from broker_bridge.bus.broker import EmbeddedBroker
from broker_bridge.bus.securing import secure
from broker_bridge.config import Broker, Settings

async def main():
    broker = EmbeddedBroker(Broker(port=0, store=Path(sys.argv[1])))
    await broker.start()
    print(broker.server_pid, flush=True)
    await broker.wait()

asyncio.run(main())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no parent-death signal")
def test_the_program_ends_with_its_parent_and_the_folder_is_free(tmp_path: Path) -> None:
    store = tmp_path / "broker"
    parent = subprocess.Popen([sys.executable, "-c", PARENT, str(store)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.stdout.close()
    assert running(child)
    parent.kill()
    parent.wait()

    async def story() -> None:
        await until(lambda: not running(child), "the program ends with its parent")
        broker = EmbeddedBroker(Broker(port=0, store=store))
        await broker.start()
        await broker.stop()

    run(story())


def test_only_mqtt_is_reachable_and_only_from_this_machine(embedded: Embedded, tmp_path: Path) -> None:
    log = (tmp_path / "broker" / "broker.log").read_text()
    assert set(re.findall(r"Listening for .* on (?:\w+://)?([\d.:\[\]]+):\d+", log)) == {"127.0.0.1"}
    port = int(re.findall(r"client connections on 127.0.0.1:(\d+)", log)[-1])
    with socket.create_connection(("127.0.0.1", port), timeout=10) as other:
        other.sendall(b'CONNECT {"user":"anonymous","pass":"x","verbose":true}\r\nPING\r\n')
        answer = b""
        while b"-ERR" not in answer and (more := other.recv(65_536)):
            answer += more
    assert b"Authorization Violation" in answer
    assert b"PONG" not in answer


def test_a_login_is_asked_for_and_its_files_are_private(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text('pass "word" $x\n')
    secret.chmod(0o600)
    settings = Broker(port=0, store=tmp_path / "broker", username="bridge", password_file=secret)

    async def story() -> None:
        broker = EmbeddedBroker(settings)
        host, port = await broker.start()
        try:
            username, password = login(settings, "watch")
            assert (username, password) == ("bridge", 'pass "word" $x')
            async with Client(
                host=host, port=port, client_id="a", username=username, password=password
            ) as right:
                await right.wait_connected()
            for wrong in ({}, {"username": "bridge", "password": "word"}):
                async with Client(
                    host=host, port=port, client_id="b", back_off=(0.01, 0.05), **wrong
                ) as refused:
                    await until(lambda: "refuses" in refused.trouble, "the refusal")
                    assert refused.connection == 0
        finally:
            await broker.stop()
        for name in ("broker.conf", "broker.json", "lock"):
            assert stat.S_IMODE((settings.store / name).stat().st_mode) == 0o600

    run(story())


def test_the_network_gets_in_only_with_a_login(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"broker\.host = '0\.0\.0\.0' .* no login"):
        EmbeddedBroker(Broker(host="0.0.0.0", store=tmp_path))


def test_a_taken_port_is_named(tmp_path: Path) -> None:
    async def story() -> None:
        with socket.socket() as other:
            other.bind(("127.0.0.1", 0))
            other.listen()
            port = other.getsockname()[1]
            with pytest.raises(ConfigError, match=rf"broker\.port = {port} .* in use"):
                await EmbeddedBroker(Broker(port=port, store=tmp_path / "broker")).start()
        # The refusal let go of the folder.
        broker = EmbeddedBroker(Broker(port=port, store=tmp_path / "broker"))
        assert await broker.start() == ("127.0.0.1", port)
        await broker.stop()

    run(story())


def test_a_remembered_port_that_is_taken_is_replaced(tmp_path: Path) -> None:
    store = tmp_path / "broker"

    async def story() -> None:
        with socket.socket() as other:
            other.bind(("127.0.0.1", 0))
            other.listen()
            taken = other.getsockname()[1]
            store.mkdir()
            (store / "broker.json").write_text(json.dumps({"port": taken}))
            broker = EmbeddedBroker(Broker(port=0, store=store))
            _, port = await broker.start()
            assert port != taken
            await broker.stop()

    run(story())


def test_a_program_that_does_not_start_is_told_with_its_last_words(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "broker" / "jetstream").write_text("a file where a folder has to be")

    async def story() -> None:
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker"))
        with pytest.raises(ConfigError, match=r"ended at once with code 1: .*JetStream"):
            await broker.start()
        await broker.stop()

    run(story())


def test_what_an_earlier_run_said_is_not_told_as_the_last_words(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    (tmp_path / "broker" / "jetstream").write_text("a file where a folder has to be")
    log = tmp_path / "broker" / "broker.log"
    log.write_text("[1] 2026/03/02 06:00:00.000000 [ERR] TLS handshake error: EOF\n" * 5)

    async def story() -> None:
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker"))
        with pytest.raises(ConfigError, match="JetStream") as caught:
            await broker.start()
        assert "handshake" not in str(caught.value)
        await broker.stop()

    run(story())


def test_a_key_that_is_not_the_certificate_s_is_told_before_the_program_starts(tmp_path: Path) -> None:
    for name in ("ours", "theirs"):
        plant = Settings.model_validate(
            {"plant": {"site": "harbour-works"}, "broker": {"credentials": tmp_path / name}}
        )
        secure([plant], tmp_path / name, now=datetime.now(UTC))
    (tmp_path / "theirs" / "broker.key").replace(tmp_path / "ours" / "broker.key")

    async def story() -> None:
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker", credentials=tmp_path / "ours"))
        with pytest.raises(ConfigError, match="the key is not that of the certificate: bring back the two"):
            await broker.start()
        assert broker.server_pid is None
        assert not (tmp_path / "broker").exists()

    run(story())


def test_a_certificate_that_clients_will_refuse_is_told_at_the_start(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    plant = Settings.model_validate(
        {"plant": {"site": "harbour-works"}, "broker": {"credentials": tmp_path / "c"}}
    )
    secure([plant], tmp_path / "c", now=datetime.now(UTC))

    async def story() -> None:
        settings = Broker(
            port=0, store=tmp_path / "broker", credentials=tmp_path / "c", names=("broker.example",)
        )
        broker = EmbeddedBroker(settings)
        await broker.start()
        await broker.stop()

    run(story())
    assert "clients reach the broker as broker.example: they will refuse it" in caplog.text
    assert "run `broker-bridge secure CONFIG`" in caplog.text


def test_a_missing_program_is_told_with_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(broker_module, "PACKAGE", "no-such-package-here")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ConfigError, match="no-such-package-here"):
        asyncio.run(EmbeddedBroker(Broker(port=0, store=tmp_path)).start())


def test_the_address_of_any_other_broker_is_its_setting(tmp_path: Path) -> None:
    port = free_port()
    assert address(Broker(kind="external", host="mq.harbour.example", port=port)) == (
        "mq.harbour.example",
        port,
    )
    assert address(Broker(host="0.0.0.0", port=port, store=tmp_path)) == ("127.0.0.1", port)


def test_a_login_comes_from_a_file_or_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert login(Broker(), "watch") == (None, None)
    monkeypatch.setenv("PLANT_SECRET", "s")
    assert login(Broker(username="u", password_env="PLANT_SECRET"), "watch") == ("u", "s")
    with pytest.raises(ConfigError, match="'NOT_SET'"):
        login(Broker(username="u", password_env="NOT_SET"), "watch")
    with pytest.raises(ConfigError, match="absent"):
        login(Broker(username="u", password_file=tmp_path / "absent"), "watch")
    with pytest.raises(ConfigError, match="without password_file or password_env"):
        login(Broker(username="u"), "watch")


def test_connections_beyond_the_limit_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(broker_module, "MAX_CONNECTIONS", 2)

    async def story() -> None:
        broker = EmbeddedBroker(Broker(port=0, store=tmp_path / "broker"))
        host, port = await broker.start()
        try:
            async with contextlib.AsyncExitStack() as stack:
                clients = [
                    await stack.enter_async_context(
                        Client(host=host, port=port, client_id=f"c{number}", back_off=(0.01, 0.05))
                    )
                    for number in range(3)
                ]
                await until(lambda: sum(one.connected for one in clients) == 2, "two connections")
                (third,) = (one for one in clients if not one.connected)
                await until(lambda: "not connected" not in third.trouble, "the third is refused")
                assert third.connection == 0
        finally:
            await broker.stop()

    run(story())

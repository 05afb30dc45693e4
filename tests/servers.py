"""Real MQTT brokers on loopback, started, killed and started again by tests.

Ask for the fixture `broker`: the test runs once with the embedded broker and once with Mosquitto, which is
skipped in plain sight where it is not installed.
"""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any, NoReturn, Protocol, TypeVar

import pytest

from broker_bridge.bus.broker import EmbeddedBroker
from broker_bridge.bus.mqtt import Client, Message
from broker_bridge.config import Broker

DEADLINE_S = 20.0
"""How long a test waits for what must happen; a healthy machine needs a small part of it."""

HOW_TO_GET = {
    "mosquitto": "apt-get install mosquitto",
    "mosquitto_passwd": "apt-get install mosquitto",
    "mosquitto_pub": "apt-get install mosquitto-clients",
    "mosquitto_sub": "apt-get install mosquitto-clients",
    "openssl": "apt-get install openssl",
    "rabbitmq-server": "apt-get install rabbitmq-server",
}

Result = TypeVar("Result")


def require(name: str) -> str:
    """The path of a program, else the test is skipped; with BROKER_BRIDGE_REQUIRE=1 it fails."""
    # A daemon's folder is not on everybody's path.
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    return (
        found
        if found is not None
        else missing(f"{name} is not on this machine: {HOW_TO_GET.get(name, 'install it')}")
    )


def missing(reason: str) -> NoReturn:
    """Skip, or fail where everything has to be there."""
    if os.environ.get("BROKER_BRIDGE_REQUIRE") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


async def until(condition: Callable[[], object], what: str, deadline: float = DEADLINE_S) -> None:
    """Wait in a test's event loop until the condition holds."""
    end = time.monotonic() + deadline
    while not condition():
        assert time.monotonic() < end, f"waited {deadline:.0f} s in vain: {what}"
        await asyncio.sleep(0.002)


def until_open(port: int, alive: Callable[[], bool]) -> None:
    """Wait until something on loopback accepts connections on the port."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        assert alive(), f"the server for port {port} ended"
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.01)
    pytest.fail(f"nothing listens on port {port} after {DEADLINE_S:.0f} s")


def free_port() -> int:
    """A port on loopback that nobody uses at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class RunningBroker(Protocol):
    """A broker that a test may ill-treat."""

    name: str
    host: str
    port: int

    def kill(self) -> None:
        """kill -9: no goodbye, nothing saved."""

    def stop(self) -> None:
        """An orderly end."""

    def restart(self) -> None:
        """Start again, on the same port and folder."""


class Mosquitto:
    """Debian's Mosquitto with a folder of its own."""

    name = "mosquitto"
    host = "127.0.0.1"

    def __init__(self, folder: Path, *settings: str) -> None:
        self.port = free_port()
        self._program = require("mosquitto")
        self._conf = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        self._conf.write_text(
            "\n".join(
                [
                    f"listener {self.port} {self.host}",
                    "allow_anonymous true",
                    "persistence true",
                    f"persistence_location {folder}/",
                    "max_queued_messages 0",
                    f"user {os.environ.get('USER', 'root')}",
                    *settings,
                ]
            )
            + "\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.restart()

    def restart(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([self._program, "-c", str(self._conf)], stdout=log, stderr=log)
        until_open(self.port, lambda: self._process is not None and self._process.poll() is None)

    def kill(self) -> None:
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(DEADLINE_S)
            self._process = None


class Embedded:
    """Our own, in an event loop of its own as in a process of its own."""

    name = "embedded"

    def __init__(self, folder: Path) -> None:
        self._settings = Broker(port=0, store=folder / "broker")
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="embedded broker")
        self._thread.start()
        self._broker: EmbeddedBroker | None = None
        self.restart()

    def restart(self) -> None:
        self._broker = EmbeddedBroker(self._settings, redeliver_s=1)
        self.host, self.port = self._do(self._broker.start())

    def kill(self) -> None:
        assert self._broker is not None
        assert self._broker.server_pid is not None
        os.kill(self._broker.server_pid, signal.SIGKILL)
        self.stop()

    def stop(self) -> None:
        if self._broker is not None:
            self._do(self._broker.stop())
            self._broker = None

    def close(self) -> None:
        self.stop()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(DEADLINE_S)
        self._loop.close()

    def _do(self, what: Coroutine[Any, Any, Result]) -> Result:
        return asyncio.run_coroutine_threadsafe(what, self._loop).result(2 * DEADLINE_S)


@pytest.fixture
def embedded(tmp_path: Path) -> Iterator[Embedded]:
    """The embedded broker, running."""
    broker = Embedded(tmp_path)
    yield broker
    broker.close()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Mosquitto, running."""
    broker = Mosquitto(tmp_path)
    yield broker
    broker.stop()


@pytest.fixture(params=["embedded", "mosquitto"])
def broker(request: pytest.FixtureRequest) -> RunningBroker:
    """Each broker in turn."""
    running: RunningBroker = request.getfixturevalue(request.param)
    return running


def taken(client: Client, most: int) -> list[Message]:
    """What a client has received and not given yet, at most so many, without waiting."""
    found: list[Message] = []
    while len(found) < most and (message := client.next_nowait()) is not None:
        found.append(message)
    return found

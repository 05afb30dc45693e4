"""Debian's RabbitMQ as a private node on loopback: its own name, ports, folder and epmd; killed and started by tests."""

import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pytest
from servers import free_port, missing, require, until_open

SERVER: Final = "/usr/lib/rabbitmq/bin/rabbitmq-server"
"""The program itself: the wrapper on the path changes the user."""
STARTS_S: Final = 60.0

DEFINITIONS: Final[dict[str, Any]] = {
    "vhosts": [{"name": "/"}],
    "users": [{"name": "guest", "password": "guest", "tags": "administrator"}],
    "permissions": [{"user": "guest", "vhost": "/", "configure": ".*", "write": ".*", "read": ".*"}],
    "exchanges": [
        {"name": "plant", "vhost": "/", "type": "topic", "durable": True, "auto_delete": False, "internal": False,
         "arguments": {"alternate-exchange": "unrouted"}},
        {"name": "unrouted", "vhost": "/", "type": "fanout", "durable": True, "auto_delete": False, "internal": False,
         "arguments": {}},
    ],
    "queues": [
        {"name": name, "vhost": "/", "durable": True, "auto_delete": False, "arguments": {}}
        for name in ("bridge", "plant-system", "unrouted")
    ],
    "bindings": [
        {"source": "plant", "vhost": "/", "destination": "plant-system", "destination_type": "queue",
         "routing_key": "BrokerBridge.#", "arguments": {}},
        {"source": "unrouted", "vhost": "/", "destination": "unrouted", "destination_type": "queue", "routing_key": "",
         "arguments": {}},
    ],
}  # fmt: skip
"""A queue to read from; an exchange to publish to, with a queue behind it and one for what is routed nowhere."""


class Rabbit:
    """A node below a folder. `kill` is kill -9; messages that were made durable are there after `start`.

    `certificate`: files of an authority, of a certificate and of its key, with which it also listens for TLS.
    """

    def __init__(self, folder: Path, certificate: tuple[Path, Path, Path] | None = None) -> None:
        require("rabbitmq-server")
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.url = f"amqp://127.0.0.1:{self.port}"
        self.tls_port = free_port() if certificate else 0
        self._epmd_port, self._dist_port = free_port(), free_port()
        (folder / "enabled_plugins").write_text("[rabbitmq_amqp1_0].\n")
        (folder / "definitions.json").write_text(json.dumps(DEFINITIONS))
        (folder / "rabbitmq.conf").write_text(
            f"listeners.tcp.1 = 127.0.0.1:{self.port}\n"
            "loopback_users.guest = true\n"
            f"load_definitions = {folder / 'definitions.json'}\n"
            "log.console = false\n"
            + (
                f"listeners.ssl.1 = 127.0.0.1:{self.tls_port}\n"
                + "".join(
                    f"ssl_options.{name} = {path}\n"
                    for name, path in zip(("cacertfile", "certfile", "keyfile"), certificate, strict=True)
                )
                if certificate
                else ""
            )
        )
        self._environment = {
            "PATH": "/usr/lib/rabbitmq/bin:/usr/bin:/bin:/usr/sbin:/sbin",
            "HOME": str(folder),
            "LANG": "C.UTF-8",
            "RABBITMQ_NODENAME": f"bridge{self.port}@localhost",
            "RABBITMQ_MNESIA_BASE": str(folder / "mnesia"),
            "RABBITMQ_LOG_BASE": str(folder / "log"),
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(folder / "enabled_plugins"),
            "RABBITMQ_CONFIG_FILE": str(folder / "rabbitmq.conf"),
            "RABBITMQ_CONF_ENV_FILE": "/dev/null",
            "RABBITMQ_PID_FILE": str(folder / "pid"),
            "RABBITMQ_NODE_IP_ADDRESS": "127.0.0.1",
            "RABBITMQ_NODE_PORT": str(self.port),
            "RABBITMQ_DIST_PORT": str(self._dist_port),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
            "ERL_EPMD_PORT": str(self._epmd_port),
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "-kernel inet_dist_use_interface {127,0,0,1}",
            "RABBITMQ_SCHEDULER_BIND_TYPE": "u",
        }
        self._epmd = subprocess.Popen(
            ["epmd", "-address", "127.0.0.1", "-port", str(self._epmd_port)],
            env=self._environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,  # an interrupt at the keyboard must not end it before the node, which starts another
        )  # fmt: skip
        self._node: subprocess.Popen[bytes] | None = None
        until_open(self._epmd_port, lambda: self._epmd.poll() is None)

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        with (self.folder / "out").open("ab") as out:
            self._node = subprocess.Popen(
                [SERVER], env=self._environment, stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True
            )  # fmt: skip
        end = time.monotonic() + STARTS_S
        while True:
            assert self._node.poll() is None, f"RabbitMQ ended: {(self.folder / 'out').read_text()[-2000:]}"
            if self._listens():
                return
            assert time.monotonic() < end, "RabbitMQ does not come up"
            time.sleep(0.1)

    def kill(self) -> None:
        """kill -9 of the node: nothing is said, nothing more is written."""
        if self._node is not None and self._node.poll() is None:
            os.killpg(self._node.pid, signal.SIGKILL)  # its own session: the node and its own children
            self._node.wait(timeout=20)
            end = time.monotonic() + 20
            while self._listens():  # its threads take a moment to die
                assert time.monotonic() < end, "RabbitMQ does not die"
                time.sleep(0.02)
        self._node = None

    def _listens(self) -> bool:
        with socket.socket() as probe:
            probe.settimeout(1.0)
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def close(self) -> None:
        """End the node and its epmd."""
        self.kill()
        self._epmd.kill()
        self._epmd.wait(timeout=20)


@pytest.fixture(scope="session")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Files: the `known` authority, another one, and the `certificate` and `key` of the first for localhost alone."""
    from broker_bridge.bus.authority import make_authority, make_server

    folder = tmp_path_factory.mktemp("authorities")
    now = datetime.now(UTC)

    def written(name: str, text: str) -> Path:
        path = folder / name
        path.write_text(text)
        path.chmod(0o600)
        return path

    known = make_authority("harbour-works", now)
    server = make_server(known, ["localhost"], now)
    return {
        "known": written("known.pem", known.certificate),
        "other": written("other.pem", make_authority("elsewhere", now).certificate),
        "certificate": written("certificate.pem", server.certificate),
        "key": written("certificate.key", server.key),
    }


@pytest.fixture(scope="session")
def rabbit(tmp_path_factory: pytest.TempPathFactory, authorities: dict[str, Path]) -> Iterator[Rabbit]:
    """A running node."""
    try:
        import proton
    except ImportError:
        missing("python-qpid-proton is not installed: pip install 'broker-bridge[cfx]'")
    assert proton.__name__ == "proton"
    files = (authorities["known"], authorities["certificate"], authorities["key"])
    node = Rabbit(tmp_path_factory.mktemp("rabbit"), files)
    try:
        node.start()
        yield node
    finally:
        node.close()

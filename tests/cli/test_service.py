"""Words to a service manager, as sd_notify(3) lays them down, heard at a real socket."""

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from broker_bridge.cli.service import Service


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(path)
        heard.settimeout(5)
        yield path, heard


def test_ready_with_the_last_role(manager: tuple[str, socket.socket]) -> None:
    path, heard = manager
    service = Service(("edge", "recorder"), {"NOTIFY_SOCKET": path})
    service.started("recorder")
    assert heard.recv(999) == b"STATUS=starting; waiting for edge"
    service.started("edge")
    assert heard.recv(999) == b"READY=1\nSTATUS=running: edge, recorder"
    service.stopping()
    assert heard.recv(999) == b"STOPPING=1"


def test_an_abstract_socket() -> None:
    name = f"broker-bridge-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + name)
        heard.settimeout(5)
        Service((), {"NOTIFY_SOCKET": "@" + name}).stopping()
        assert heard.recv(999) == b"STOPPING=1"


async def signs(environment: dict[str, str], heard: socket.socket, count: int) -> list[bytes]:
    task = asyncio.create_task(Service(("edge",), environment).live())
    try:
        return [await asyncio.to_thread(heard.recv, 999) for _ in range(count)]
    finally:
        task.cancel()


def test_signs_of_life_while_the_loop_turns(manager: tuple[str, socket.socket]) -> None:
    path, heard = manager
    wanted = {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000", "WATCHDOG_PID": str(os.getpid())}
    assert asyncio.run(signs(wanted, heard, 3)) == [b"WATCHDOG=1"] * 3


@pytest.mark.parametrize(
    "wanted",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "9000000", "WATCHDOG_PID": "1"},
    ],
)
def test_no_signs_where_none_are_wanted(wanted: dict[str, str]) -> None:
    asyncio.run(Service(("edge",), wanted).live())


def test_a_manager_that_is_gone_harms_nothing(tmp_path: Path) -> None:
    Service(("edge",), {"NOTIFY_SOCKET": str(tmp_path / "nobody")}).started("edge")


def test_a_role_that_cannot_start_is_not_waited_for(manager: tuple[str, socket.socket]) -> None:
    path, heard = manager
    service = Service(("edge", "web"), {"NOTIFY_SOCKET": path})
    service.refused("web")
    assert heard.recv(999) == b"STATUS=starting; waiting for edge"
    service.refused("metrics")  # no role, so nobody waits
    service.started("edge")
    assert heard.recv(999) == b"READY=1\nSTATUS=running: edge, web (not yet: web)"

"""What `check` says of the broker and of those who speak on it, as a server room sees them."""

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fake_broker import FakeBroker, Peer, Script, connack
from servers import DEADLINE_S, Embedded, free_port

from broker_bridge.bus.authority import make_authority
from broker_bridge.bus.wire import EdgeState, RecordState, SourceState
from broker_bridge.config import Settings
from broker_bridge.health.bus import bus, told
from broker_bridge.health.finding import Finding

SOURCE = "/harbour-works/smt/line-1/aoi-files"
LONG_AGO = timedelta(seconds=100)


def plant(data: Path, **broker: object) -> Settings:
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "broker": {"store": data / "broker", **broker},
            "edge": {"outbox": data / "outbox.db"},
            "record": {"path": data / "record.db"},
        }
    )


def source(condition: str, *alarms: str, age: timedelta = timedelta(0)) -> SourceState:
    return SourceState(
        source=SOURCE, epoch=1, last=1, oldest=1, condition=condition, alarms=alarms, edge="edge",
        issued=datetime.now(UTC) - age,
    )  # fmt: skip


def edge(*alarms: str, alive: bool = True, age: timedelta = timedelta(0)) -> EdgeState:
    return EdgeState(edge="edge", alive=alive, alarms=alarms, issued=datetime.now(UTC) - age)


def record(condition: str = "recording", age: timedelta = timedelta(0)) -> RecordState:
    return RecordState(
        record="record", incarnation=1, events=1, commit=1, condition=condition,
        detail="ended without a word" if condition == "gone" else "", issued=datetime.now(UTC) - age
    )  # fmt: skip


@contextmanager
def held(*paths: Path) -> Iterator[int]:
    """A process of somebody else that holds these databases, as a role does."""
    script = (
        "import sys, pathlib\nfrom broker_bridge.db import Kind, lock\n"
        "held = [lock(pathlib.Path(one), Kind('x', 1, ())) for one in sys.argv[1:]]\n"
        "print('held', flush=True)\nsys.stdin.read()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, *map(str, paths)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        process.send_signal(signal.SIGSTOP)
        yield process.pid
    finally:
        process.kill()
        process.communicate(timeout=DEADLINE_S)


def test_who_is_well_is_fine(tmp_path: Path) -> None:
    found = list(told(plant(tmp_path), [source("waiting"), source("idle"), edge(), record()]))
    assert {one.level for one in found} == {"fine"}


@pytest.mark.parametrize("condition", ["waiting", "away"])
def test_what_an_edge_raises_is_a_problem_here_as_well(tmp_path: Path, condition: str) -> None:
    for state in (source(condition, "events cannot be kept"), edge("events cannot be kept")):
        (finding,) = told(plant(tmp_path), [state])
        assert finding.level == "problem"
        assert "events cannot be kept" in finding.text


def test_who_is_silent_and_does_not_run_is_to_be_started(tmp_path: Path) -> None:
    states = [source("idle", age=LONG_AGO), edge(age=LONG_AGO), record(age=LONG_AGO), edge(alive=False)]
    found = list(told(plant(tmp_path), states))
    assert [one.level for one in found] == ["problem"] * 4
    assert [one.advice.partition(";")[0] for one in found] == [
        "look at its edge",
        "start the role edge on its machine",
        "start the role recorder",
        "start the role edge on its machine",
    ]


def test_who_is_silent_and_runs_is_to_be_ended(tmp_path: Path) -> None:
    """Stopped by a signal, or stuck: to be told to start what runs already leads nowhere."""
    settings = plant(tmp_path)
    with held(settings.edge.outbox, settings.record.path) as process:
        states = [source("idle", age=LONG_AGO), edge(age=LONG_AGO), record("gone", age=LONG_AGO)]
        for finding in told(settings, states):
            assert "ended without a word" not in finding.text, "which its last will says"
            assert (
                f"it runs and does not answer: end process {process} (`kill -9 {process}`)" in finding.advice
            )
        elsewhere = edge(age=LONG_AGO).model_copy(update={"edge": "edge-2"})
        (finding,) = told(settings, [elsewhere])
        assert "start the role edge on its machine" in finding.advice


def looked(settings: Settings) -> Finding:
    return one_of(asyncio.run(bus(settings)))


def one_of(found: list[Finding]) -> Finding:
    (finding,) = found
    assert finding.level == "unreachable"
    assert "meanwhile events wait in the outbox, none is lost" in finding.advice
    return finding


def test_a_broker_that_is_not_there_is_to_be_started(tmp_path: Path) -> None:
    assert "start it (role broker)" in looked(plant(tmp_path, port=free_port())).advice


async def _refuses_the_login(peer: Peer) -> None:
    await peer.connecting()
    peer.send(connack(code=5))
    await peer.gone()


async def _speaks_no_tls(peer: Peer) -> None:
    peer.send(b"220 harbour-works ready\r\n")
    await peer.gone()


@pytest.mark.parametrize(
    ("script", "secured", "what"),
    [
        (_refuses_the_login, False, "does not know this login or its password"),
        (_speaks_no_tls, True, "correct the port, or give the broker its credentials"),
    ],
    ids=["login", "TLS"],
)
def test_a_broker_that_refuses_us_is_not_to_be_started(
    tmp_path: Path, script: Script, secured: bool, what: str
) -> None:
    authority = tmp_path / "authority.pem"
    authority.write_text(make_authority("harbour-works", datetime.now(UTC)).certificate)

    async def story() -> list[Finding]:
        async with FakeBroker(script) as broker:
            more = {"ca_file": authority} if secured else {}
            return await bus(plant(tmp_path, kind="external", host=broker.host, port=broker.port, **more))

    finding = one_of(asyncio.run(story()))
    assert what in finding.text
    assert "start" not in finding.advice


def test_a_frozen_broker_is_to_be_ended(
    embedded: Embedded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("broker_bridge.health.bus.REACH_S", 0.5)
    assert embedded._broker is not None
    program = embedded._broker.server_pid
    assert program is not None
    os.kill(program, signal.SIGSTOP)
    try:
        finding = looked(plant(tmp_path, port=embedded.port))
    finally:
        os.kill(program, signal.SIGCONT)
    assert f"it runs and does not answer: end process {program}" in finding.advice

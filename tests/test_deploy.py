"""What is written for other programs to run: the units and the container name commands, files and options that are there."""

import asyncio
import json
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from servers import free_port

from broker_bridge.cli.main import build_parser
from broker_bridge.config import ROLES, Settings
from broker_bridge.outlets.metrics.commits import CommitTimes
from broker_bridge.outlets.metrics.server import serve

yaml = pytest.importorskip("yaml")
DEPLOY = Path(__file__).resolve().parents[1] / "deploy"
UNITS = [DEPLOY / "broker-bridge.service", DEPLOY / "broker-bridge@.service"]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_a_unit_starts_a_command_that_can_be_typed(unit: Path) -> None:
    (line,) = re.findall(
        r"^ExecStart=\S+/broker-bridge (.*)$", unit.read_text(encoding="utf-8"), re.MULTILINE
    )
    for role in ROLES:
        args = build_parser("run").parse_args(line.replace("%i", role).split())
        assert args.command == "run"
        assert args.roles in (None, (role,))


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_understands_a_unit(unit: Path, tmp_path: Path) -> None:
    """The peer that reads it: systemd-analyze."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not on this machine")
    text = unit.read_text(encoding="utf-8").replace("/opt/broker-bridge/bin/broker-bridge", "/bin/true")
    (tmp_path / unit.name).write_text(text, encoding="utf-8")
    told = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit.name],
        capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    assert (told.returncode, told.stderr) == (0, "")


def test_the_container_runs_a_command_that_can_be_typed() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    words = re.findall(r'"([^"]+)"', next(line for line in text.splitlines() if line.startswith("CMD ")))
    assert build_parser("run").parse_args(words).command == "run"


def probe(port: int) -> int:
    """The code of the container's health check, asked at another port and with less patience."""
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    (words,) = re.findall(r"^HEALTHCHECK[^\[]*CMD (\[.*\])$", text, re.MULTILINE)
    _, *arguments = json.loads(words)
    assert arguments[-1].count("127.0.0.1:9188/live") == arguments[-1].count("timeout=15") == 1
    told = arguments[-1].replace(":9188", f":{port}").replace("timeout=15", "timeout=0.5")
    return subprocess.run(
        [sys.executable, *arguments[:-1], told], timeout=30, check=False, capture_output=True
    ).returncode


def test_a_container_is_healthy_while_its_loop_turns(tmp_path: Path) -> None:
    plant = Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "metrics": {"port": 0},
            "record": {"path": tmp_path / "record.db"},
        }
    )

    async def life() -> int:
        at: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        serving = asyncio.create_task(
            serve(plant, (), (), CommitTimes(), lambda: (), ready=lambda _, port: at.set_result(port))
        )
        try:
            return await asyncio.to_thread(probe, await at)
        finally:
            serving.cancel()
            await asyncio.wait({serving})

    assert asyncio.run(life()) == 0


def test_a_container_whose_loop_is_stuck_is_not_healthy() -> None:
    with socket.create_server(("127.0.0.1", 0)) as stuck:  # the kernel takes connections, nobody answers
        assert probe(stuck.getsockname()[1]) != 0
    assert probe(free_port()) != 0


def test_compose_names_what_is_there_and_gives_few_rights() -> None:
    file = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
    plant = file["services"]["plant"]
    build = plant["build"]
    assert (DEPLOY / build["context"] / build["dockerfile"]).is_file()
    assert plant["read_only"]
    assert plant["cap_drop"] == ["ALL"]
    assert {volume.split(":")[0] for volume in plant["volumes"]} >= set(file["volumes"])
    assert all(port.startswith("127.0.0.1:") for port in plant["ports"])

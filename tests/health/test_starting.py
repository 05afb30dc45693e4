"""What keeps ways out from starting is told at once, and ends nothing that records."""

import asyncio
import json
import logging
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from chain import Chain, rows
from servers import until

from broker_bridge.bootstrap import run_roles
from broker_bridge.cli.main import main
from broker_bridge.config import load
from broker_bridge.errors import ConfigError
from broker_bridge.health.starting import hindrances

ROLES = ("broker", "recorder", "edge", "outlets", "web")


@pytest.fixture
def taken() -> Iterator[int]:
    """A port of somebody else."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        yield held.getsockname()[1]


@pytest.fixture
def chain(tmp_path: Path, taken: int) -> Chain:
    """A plant of which every way out is hindered in another way."""
    chain = Chain(tmp_path)
    (tmp_path / "file").write_text("no folder\n")
    (tmp_path / "secret").write_text("whsec_aGFyYm91ciB3b3JrcywgYSBrZXkgb2YgMzIgYnl0ZXM=")
    (tmp_path / "secret").chmod(0o644)
    plain = chain.config.read_text(encoding="utf-8")
    chain.config.write_text(
        f"roles = {json.dumps(ROLES)}\n{plain}"
        f"""
[web]
port = {taken}
[metrics]
port = {taken}
[[outlets]]
kind = "tables"
name = "lake"
folder = "{tmp_path}/file/tables"
[[outlets]]
kind = "webhook"
name = "mes"
url = "http://127.0.0.1:9/"
secret_file = "secret"
""",
        encoding="utf-8",
    )
    return chain


def test_check_tells_each_with_what_to_do(
    chain: Chain, taken: int, capsys: pytest.CaptureFixture[str]
) -> None:
    found = {f.subject: f for f in hindrances(chain.settings, ROLES)}
    assert set(found) == {"outlet lake", "outlet mes", "web", "metrics"}
    assert "file/tables cannot be written: Not a directory" in found["outlet lake"].text
    assert "chmod 600" in found["outlet mes"].text
    for subject in ("web", "metrics"):
        assert f"port {taken}: Address already in use" in found[subject].text
        assert "choose another" in found[subject].advice
    assert main(["check", str(chain.config), "--offline"]) == 1
    text = capsys.readouterr().out
    for finding in found.values():
        assert finding.text in text


def test_what_records_goes_on_and_what_does_not_start_is_told(
    chain: Chain, caplog: pytest.LogCaptureFixture
) -> None:
    refused: list[str] = []

    async def life() -> None:
        started: list[str] = []
        running = asyncio.create_task(
            run_roles(load(chain.config), ROLES, started.append, refused=refused.append)
        )
        try:
            chain.put("a.csv", rows(1, 2))
            await until(lambda: running.done() or chain.count() == 2, "recorded")
            assert not running.done()
            await until(lambda: sorted(refused) == ["metrics", "web"], "told")
            assert set(started) == {"broker", "recorder", "edge", "outlets"}
        finally:
            running.cancel()
            await asyncio.wait([running])

    with caplog.at_level(logging.ERROR):
        asyncio.run(life())
    text = caplog.text
    for words in ("outlet mes cannot start: ", "web cannot start: ", "metrics cannot start: "):
        assert text.count(words) == 1, text


@pytest.mark.parametrize("role", ["web", "outlets"])
def test_a_process_of_its_own_refuses_to_start(chain: Chain, role: str) -> None:
    with pytest.raises(ConfigError, match=r"in use|chmod 600"):
        asyncio.run(run_roles(load(chain.config), [role]))
    told = subprocess.run(
        [sys.executable, "-m", "broker_bridge", "run", str(chain.config), "--roles", role],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert told.returncode == 3
    assert "in use" in told.stderr if role == "web" else "chmod 600" in told.stderr

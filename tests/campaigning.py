"""Runs the campaign's tool in a process of its own, as a person would: it forks, which a process with threads must not."""

import ctypes.util
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from servers import missing, require

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "tools/campaign"


def tool(name: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """A module of the campaign's."""
    monkeypatch.syspath_prepend(str(FOLDER))
    return import_module(name)


def require_fuse() -> None:
    """The kernel's FUSE and its library, else the test is skipped, or fails where everything has to be there."""
    if not Path("/dev/fuse").exists() or not (
        ctypes.util.find_library("fuse") or ctypes.util.find_library("fuse3")
    ):
        missing(
            "the kernel's FUSE is not on this machine: apt-get install fuse3 libfuse2, and /dev/fuse in a container"
        )


def campaign(kind: str, broker: str, *, rounds: int, each: int = 0, seed: int = 1) -> list[dict[str, Any]]:
    """The lives of a short campaign, each of which was without fault."""
    if broker == "mosquitto":
        require("mosquitto")
    done = subprocess.run(
        [sys.executable, str(FOLDER / "campaign.py"), kind, "--broker", broker, "--rounds", str(rounds), "--each",
         str(each or rounds), "--seed", str(seed), "--short", "--json"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )  # fmt: skip
    lives: list[dict[str, Any]] = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, f"{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    assert lives
    return lives

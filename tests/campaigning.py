"""Runs the campaign's tool in a process of its own, as a person would: it forks, which a process with threads must not."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
TOOL = ROOT / "tools/campaign/campaign.py"


def campaign(kind: str, broker: str, *, rounds: int, seed: int) -> list[dict[str, Any]]:
    """The lives of a short campaign, each of which was without fault."""
    words = [kind, "--broker", broker, "--rounds", str(rounds), "--each", str(rounds), "--seed", str(seed)]
    done = subprocess.run(
        [sys.executable, str(TOOL), *words, "--short", "--json"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    lives: list[dict[str, Any]] = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, f"{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    assert lives
    return lives

"""Broker, recorder and edge are killed in turn while files arrive and a log grows: the record is what a quiet run gives.

The long form (100 kills of each role) is tools/campaign/kills.py; this is the same code with 20.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.timeout(400)
def test_twenty_kills_of_each_role_lose_and_double_nothing(tmp_path):
    campaign = [
        sys.executable,
        str(ROOT / "tools/campaign/kills.py"),
        *(
            "--files",
            "500",
            "--logs",
            "1000",
            "--kills",
            "20",
            "--seed",
            "7",
            "--keep",
            str(tmp_path),
            "--json",
        ),
    ]
    # A process of its own: it forks its roles, which a test process with threads must not.
    done = subprocess.run(campaign, cwd=ROOT, capture_output=True, text=True, timeout=380, check=False)
    assert done.returncode == 0, done.stderr[-3000:] + done.stdout[-3000:]
    outcome = json.loads(done.stdout)
    assert outcome["kills"] == {"broker": 20, "recorder": 20, "edge": 20}
    assert outcome["expected"] > 2000
    assert not any(outcome[name] for name in ("lost", "unexpected", "doubled", "altered", "holes"))

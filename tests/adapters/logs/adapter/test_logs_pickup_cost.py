"""What picking up costs does not grow with what lies there: the bench of tools/bench, small.

Limits are wide, since other work runs on the same machine; a reader that keeps what it has read breaks them all the same.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[4]


def measured(what: str, number: int) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, str(ROOT / "tools/bench/bench_pickup.py"), "--only", what, str(number)],
        cwd=ROOT, capture_output=True, text=True, timeout=100, check=True, env={"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    found: dict[str, float] = json.loads(done.stdout)
    return found


@pytest.mark.timeout(120)
def test_hazard_29_many_waiting_files_delay_the_first_event_little() -> None:
    assert measured("many", 3000)["of them computing"] < 10


@pytest.mark.timeout(120)
def test_hazard_28_a_log_larger_than_the_ceiling_takes_little_memory() -> None:
    found = measured("large", 12)
    assert found["records"] > 12_000
    assert found["peak MB"] - found["of them before"] < 100

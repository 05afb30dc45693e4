"""The documents in deploy/ about limits and threats: what they name exists."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIMITS = (ROOT / "deploy" / "LIMITS.md").read_text(encoding="utf-8")
THREATS = (ROOT / "deploy" / "THREAT_MODEL.md").read_text(encoding="utf-8")


def test_every_test_that_proves_a_limit_exists() -> None:
    written = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("test_*.py"))
    named = re.findall(r"`(test_[a-z0-9_]+)`", LIMITS)
    assert len(named) > 30
    assert [name for name in named if f"def {name}(" not in written] == []


def test_every_input_but_the_one_without_a_limit_has_a_proof() -> None:
    rows = [line for line in LIMITS.splitlines() if line.startswith("| ") and not line.startswith("| input")]
    assert [row.split("|")[1].strip() for row in rows if "`test_" not in row] == [
        "rate of messages of one login"
    ]


@pytest.mark.parametrize("text", [LIMITS, THREATS], ids=["limits", "threats"])
def test_every_path_exists(text: str) -> None:
    for path in re.findall(r"`((?:tests/)?[a-z_]+/[a-z_/]*(?:\\.py)?)`", text):
        assert (ROOT / path).exists() or (ROOT / "broker_bridge" / path).exists(), path

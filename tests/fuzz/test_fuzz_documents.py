"""The fuzzer of every parser but logs, transfer and HTTP, for a moment each: it still runs, and finds nothing."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.timeout(120)
def test_every_parser_is_spoilt_and_answers(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "tools/fuzz/fuzz_documents.py", "all", "--minutes", "0.005", "--out", str(tmp_path / "out"),
         "--log", str(tmp_path / "log")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    table = subprocess.run(
        [sys.executable, "tools/fuzz/results.py", str(tmp_path / "log")], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()  # fmt: skip
    assert len(table) == 2 + 12
    assert all(row.split(" | ")[4] == "0" for row in table[2:])

"""The fuzzer of tools/fuzz for some seconds: every operation, as a reader and as an operator; no server error, answers as described."""

import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from conftest import HOSTILE, Opened, Tokens

pytest.importorskip("schemathesis", reason="the extra `test` brings schemathesis")

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools" / "fuzz"))

from fuzz_web import ENDLESS, operations, run, tried
from schemathesis.core.failures import FailureGroup

KNOWN = {
    "id": ("A", "B", HOSTILE), "begin": ("A",), "kind": ("board",), "statement": ("V1", "D1", "I1"), "station": ("aoi", "print"),
    "equipment": ("aoi",), "order": ("WO-1",), "key": ("r1", "r17"), "series": ("failed", "calls", "reading:x", "paste:volume"),
    "by": ("station", "day", "pad"), "per": ("day", "2"), "phase": ("program",), "within": ("position",), "text": ("A", HOSTILE),
}  # fmt: skip
EXAMPLES = {"read": 5, "operate": 2}


@pytest.fixture(scope="module")
def record(told_record: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A copy: what an operator freezes lies beside it."""
    path = tmp_path_factory.mktemp("fuzz") / "record.db"
    shutil.copy(Path(told_record.removeprefix("sqlite:///")), path)
    return f"sqlite:////{str(path).lstrip('/')}"


@pytest.mark.timeout(240)
@pytest.mark.parametrize("role", ["read", "operate"])
def test_nothing_that_is_asked_breaks_the_service(
    service: Opened, record: str, tokens: Tokens, role: str
) -> None:
    path, read, operate = tokens
    asked = service(record, tokens=path)
    listed = operations(asked.get("/api/v1/openapi.json").json())
    paths = {one.path for one in listed}
    assert {"/api/v1/quality/occurrence", "/api/v1/quality/gauge", "/api/v1/flow/line"} <= paths
    assert not any(one.endswith(ENDLESS) for one in paths)
    seen: set[int] = set()

    def ask(case: Any) -> None:
        address = str(asked.base_url).rstrip("/")
        seen.add(tried(case, address, read if role == "read" else operate))

    for number, operation in enumerate(listed):
        run(operation, KNOWN, EXAMPLES[role], number, ask)
    assert {200, 404, 422} <= seen, "some made sense, some not"


def test_a_shape_that_is_not_as_described_is_found(service: Opened, record: str, tokens: Tokens) -> None:
    path, read, _ = tokens
    asked = service(record, tokens=path)
    document = asked.get("/api/v1/openapi.json").json()
    document["components"]["schemas"]["quality"]["required"].append("colour")
    (line,) = (one for one in operations(document) if one.path == "/api/v1/flow/line")
    said: list[str] = []

    def ask(case: Any) -> None:
        try:
            tried(case, str(asked.base_url).rstrip("/"), read)
        except FailureGroup as found:
            said.extend(map(str, found.exceptions))

    run(line, {}, 3, 1, ask)
    assert any("colour" in one for one in said)

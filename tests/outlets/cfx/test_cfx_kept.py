"""What deploy/CFX.md does not list as left out comes back, whatever stands in it: events to CFX messages and back."""

import json
import sys
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.events.union import DATA_TYPES
from broker_bridge.outlets.cfx.messages import SENT

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "tools"))
import export_cfx
from export_cfx import Way, at, path_of, ways, with_value

WRITTEN = "2026-"
"""How times of a specimen begin."""
TEXTS = st.text(
    st.characters(codec="utf-8", categories=("L", "Nd", "P", "S", "Zs")), min_size=1, max_size=20
).map(lambda text: f"HW {text}".strip())
"""No placeholders: those name nothing, as the page says."""
TIMES = st.timedeltas(timedelta(), timedelta(days=1)).map(
    lambda past: (datetime(2026, 3, 1, tzinfo=UTC) + past).isoformat().replace("+00:00", "Z")
)
BOUND = ("coverage.inspected", "coverage.total")
"""Numbers that hang together: see below."""
NUMBERS = st.integers(-40_000, 40_000).map(lambda quarters: quarters / 4)
"""Exact in hours, seconds and ticks of 100 ns."""


@cache
def free(name: str) -> tuple[dict[str, Any], dict[Way, st.SearchStrategy[Any]], frozenset[str]]:
    """A specimen, what else may stand in its fields that are listed as carried, and all of these."""
    kind = DATA_TYPES[name]
    kept = frozenset(export_cfx.carried(kind).kept)
    plain = json.loads(export_cfx.specimen(kind).model_dump_json(exclude_none=True))
    found: dict[Way, st.SearchStrategy[Any]] = {}
    for number, way in enumerate(ways(plain)):
        value = at(plain, way)
        if path_of(way) not in kept:
            continue
        if isinstance(value, str) and value.startswith(WRITTEN):
            found[way] = TIMES
        elif way[-1] == "designator":
            found[way] = st.from_regex(r"[A-Z]{1,3}[0-9_-]{1,6}", fullmatch=True)
        elif isinstance(value, str) and with_value(kind, plain, {way: "HW 7"}) is not None:
            found[way] = TEXTS.map(f"{number} {{}}".format)  # two things of one name would be one
        elif isinstance(value, float):
            found[way] = NUMBERS
        elif isinstance(value, int) and not isinstance(value, bool) and path_of(way) not in BOUND:
            found[way] = st.integers(1, 60)
    return plain, found, kept


@pytest.mark.parametrize("name", sorted(SENT))
@settings(max_examples=20, deadline=None)
@given(drawn=st.data())
def test_what_is_listed_as_carried_comes_back(name: str, drawn: st.DataObject) -> None:
    plain, strategies, kept = free(name)
    values = {way: drawn.draw(one, label=path_of(way)) for way, one in strategies.items()}
    data = with_value(DATA_TYPES[name], plain, values)
    assert data is not None
    _, back = export_cfx.there_and_back(data)
    assert kept - set(export_cfx.kept_of(data, back)) == set()


def test_what_was_not_looked_at_is_not_told_as_looked_at() -> None:
    """A count of all places alone would say that each was inspected: no row is not a pass."""
    kind = DATA_TYPES["inspection.completed"]
    plain = json.loads(export_cfx.specimen(kind).model_dump_json(exclude_none=True))

    def coverage(**stated: Any) -> Any:
        data = kind.model_validate_json(json.dumps({**plain, "coverage": stated}))
        _, [(_, back), *_] = export_cfx.there_and_back(data)
        return {name: value for name, value in back.get("coverage", {}).items() if value}

    assert coverage(inspected=5, total=8, left_out=["C7"]) == {"inspected": 5, "total": 8}
    assert coverage(inspected=8, total=8) == {"inspected": 8, "total": 8}
    for stated in ({"total": 8}, {"inspected": 5}, {"inspected": 1, "total": 2000}):
        assert coverage(**stated) == {}

"""Run rules against published vectors."""

import pytest

from broker_bridge.analysis.run_rules import NELSON, RULES, WESTERN_ELECTRIC, hits
from broker_bridge.errors import UsageError

# luca-scr/qcc, tests/testthat/test-rules.R; firing points are counted from 1.
VECTORS = [
    ("WE1", [0, 3.2, -3.5, 2.9], [2, 3]),
    ("WE2", [0, 2.5, 1.0, 2.6, 0], [4]),
    ("WE3", [0, 1.2, 1.3, 0.2, 1.4, 1.5], [6]),
    ("WE4", [-1] * 8 + [1], [8]),
    ("WE1", [2.5] * 7 + [3.2], [8]),
    ("WE2", [2.5] * 7 + [3.2], [3, 4, 5, 6, 7, 8]),
    ("WE3", [2.5] * 7 + [3.2], [5, 6, 7, 8]),
    ("WE4", [2.5] * 7 + [3.2], [8]),
    ("N1", [0, 3.2, -3.4, 3], [2, 3]),
    ("N2", [0.5] * 10 + [-0.5] * 10, [9, 10, 19, 20]),
    ("N3", [1, 2, 3, 4, 5, 6, 7, 7, 6, 5, 4, 3, 2, 1], [6, 7, 13, 14]),
    ("N4", [1, 3, 2, 4, 3, 5, 4, 6, 5, 7, 6, 8, 7, 9, 8], [14, 15]),
    ("N4", [0, 1] * 7 + [0], [14, 15]),
    ("N5", [0, 2.3, 0.4, 2.2, -2.4, -0.2, -2.5], [4, 7]),
    ("N6", [1.2, 1.3, 0.2, 1.4, 1.5, -1.2, -1.3, -0.1, -1.4, -1.5], [5, 10]),
    ("N7", [0.3] * 16 + [1.2], [15, 16]),
    ("N8", [1.2, -1.3, 1.1, -1.4, 1.5, -1.2, 1.3, -1.1, 0.2], [8]),
    ("N8", [1.2] * 8, []),
]


@pytest.mark.parametrize(("rule", "points", "fires"), VECTORS)
def test_vectors(rule: str, points: list[float], fires: list[int]) -> None:
    assert [hit.place + 1 for hit in hits(points, [rule])] == fires


def test_every_rule_has_a_vector() -> None:
    assert {rule for rule, *_ in VECTORS} == set(RULES) == {*WESTERN_ELECTRIC, *NELSON}


def test_our_reading() -> None:
    """The vectors do not decide these; the module says them."""
    assert not hits([3, -3], ["WE1"])
    assert not hits([2.5, 2.5], ["WE2"]), "no signal before the window is full"
    assert [h.place for h in hits([2.5, 2.5, 0, 0], ["WE2"])] == [], "the newest point is itself beyond"
    assert not hits([0.1] * 4 + [0] + [0.1] * 4, ["WE4"]), "the centre is on no side"
    assert not hits([0.1] * 4 + [float("nan")] + [0.1] * 4, ["WE4"]), "a missing point ends a window"
    assert not hits([1, 2, 3, 4, 5], ["N3"]), "6 points rising are 5 rises"


def test_unknown_rule() -> None:
    with pytest.raises(UsageError, match="WE9"):
        hits([0], ["WE9"])

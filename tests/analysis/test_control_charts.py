"""Shewhart's charts against published examples."""

import math

import numpy as np
import pytest
from published import CHIPS, CIRCUIT, CLOTH, CLOTH_SIZES, COMPUTERS, FLOW_RATE, HARD_BAKE, PISTON, WAFERS

from broker_bridge.analysis.control_charts import (
    Chart,
    attribute_chart,
    autocorrelation,
    individuals,
    x_bar_r,
    x_bar_s,
)
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.run_rules import WESTERN_ELECTRIC, hits
from broker_bridge.errors import UsageError


def limits(chart: Chart, digits: int, place: int = 0) -> tuple[float, float, float]:
    return tuple(round(c[place], digits) for c in (chart.lower, chart.centre, chart.upper))


def test_individuals_nist_6_3_2_2() -> None:
    """Printed with d2 = 1.128."""
    x, mr = individuals(FLOW_RATE, places=3)
    assert limits(x, 4) == (45.8159, 50.81, 55.8041)
    assert round(x.phases[0].sigma, 5) == 1.66470
    assert (round(mr.centre[0], 4), round(mr.upper[0], 4)) == (1.8778, pytest.approx(6.1347, abs=1e-4))
    assert mr.lower[0] == 0
    assert mr.points[0] is None
    assert not x.signals
    assert not mr.signals
    # Trap: a public suite prints 1.8674 for the sample deviation; it is 2.0339, and neither is sigma within.
    assert np.std(FLOW_RATE, ddof=1) == pytest.approx(2.03385, abs=5e-6)
    assert any("provisional" in remark for remark in x.remarks)


def test_piston_rings() -> None:
    """Montgomery; printed limits 74.0143, 73.98805, 0.04812."""
    means, ranges = x_bar_r(PISTON)
    assert limits(means, 5) == (73.98805, 74.00118, 74.01430)
    assert (round(ranges.centre[0], 6), round(ranges.upper[0], 6), ranges.lower[0]) == (0.022760, 0.048126, 0)
    assert round(means.phases[0].sigma, 7) == 0.0097853
    means, deviations = x_bar_s(PISTON)
    assert limits(means, 5) == (73.98799, 74.00118, 74.01436)
    assert (round(deviations.centre[0], 8), round(deviations.upper[0], 6)) == (0.00924004, 0.019302)
    assert round(means.phases[0].sigma, 7) == 0.0098300
    assert not means.beyond
    assert not deviations.beyond


def test_hard_bake() -> None:
    """Montgomery, Example 6.1, with the three digits of its tables (A2 .577, D4 2.114)."""
    means, ranges = x_bar_r(HARD_BAKE, places=3)
    assert limits(means, 4) == (1.3180, 1.5056, 1.6933)
    assert round(means.upper[0], 5) == 1.69326
    assert round(ranges.centre[0], 5) == 0.32521
    # D4 is 2.1145: tables print 2.114 (then .68749) or 2.115.
    assert ranges.upper[0] == pytest.approx(0.68749, abs=4e-4)
    assert means.phases[0].sigma == pytest.approx(0.13981, abs=6e-6)


def test_c_chart_nist_6_3_3_1() -> None:
    chart = attribute_chart("c", WAFERS, keys=range(1, 26))
    assert limits(chart, 6) == (4, 16, 28)
    assert chart.beyond == (24,), "wafer 3 (28) is on the limit, not beyond"


def test_circuit_boards() -> None:
    chart = attribute_chart("c", CIRCUIT, keys=range(1, 27))
    assert limits(chart, 5) == (6.48145, 19.84615, 33.21086)
    assert chart.beyond == (6, 20)
    kept = attribute_chart("c", CIRCUIT, keys=range(1, 27), baseline=[i not in (6, 20) for i in range(1, 27)])
    assert limits(kept, 4) == (6.3625, 19.6667, 32.9708)
    assert set(kept.beyond) == {6, 20}, "what is no baseline is judged all the same"


def test_p_and_np_chart_nist_6_3_3_2() -> None:
    p = attribute_chart("p", CHIPS, 50, keys=range(1, 31))
    assert limits(p, 6) == (0.052428, 0.231333, 0.410239)
    np_chart = attribute_chart("np", CHIPS, 50, keys=range(1, 31))
    assert limits(np_chart, 4) == (2.6214, 11.5667, 20.5120)
    assert p.beyond == np_chart.beyond == (15, 23)


def test_u_charts() -> None:
    chart = attribute_chart("u", COMPUTERS, 5)
    assert limits(chart, 6) == (0.066133, 1.93, 3.793867)
    cloth = attribute_chart("u", CLOTH, CLOTH_SIZES)
    # Trap: with sizes rounded to integers a public suite gets 1.40367.
    assert round(cloth.centre[0], 6) == 1.423256
    found = {
        s: (round(u, 4), round(v, 4)) for s, u, v in zip(CLOTH_SIZES, cloth.upper, cloth.lower, strict=True)
    }
    assert found == {
        8: (2.6886, 0.1579), 9.5: (2.5844, 0.2621), 10: (2.5550, 0.2915), 10.5: (2.5278, 0.3187),
        12: (2.4564, 0.3901), 12.5: (2.4356, 0.4110), 13: (2.4159, 0.4306),
    }  # fmt: skip


def test_phases_have_limits_of_their_own() -> None:
    values = [*([10, 12] * 6), *([30, 32] * 6)]
    chart, ranges = individuals(values, phases=["old"] * 12 + ["new"] * 12)
    assert [(p.name, p.centre, p.baseline) for p in chart.phases] == [("old", 11, 12), ("new", 31, 12)]
    assert not chart.beyond
    assert ranges.points[12] is None, "no range across a change of phase"
    joined, _ = individuals(values, baseline=[True] * 12 + [False] * 12, keys=[f"b{i}" for i in range(24)])
    assert joined.beyond == tuple(f"b{i}" for i in range(12, 24))


def test_missing_points_stay_missing() -> None:
    chart, ranges = individuals([1, 2, None, 1, 2, 1, 2, 1])
    assert chart.points[2] is None
    assert ranges.points[2:4] == (None, None)


def test_signals_name_their_members() -> None:
    chart, _ = individuals([*[0, 1] * 10, 9], keys=[f"b{i}" for i in range(21)])
    (signal,) = [s for s in chart.signals if s.rule == "WE1"]
    assert (signal.key, signal.members, signal.place) == ("b20", ("b20",), 20)


def test_no_spread_and_out_of_range() -> None:
    chart, ranges = individuals([5.0] * 10 + [5.1], baseline=[True] * 10 + [False])
    assert chart.beyond == (10,)
    assert ranges.beyond == (10,)


def test_autocorrelation_warning_in_no_more_than_one_of_20_null_series() -> None:
    generator = np.random.default_rng(2)
    cried = sum(autocorrelation(generator.normal(size=50))[1] for _ in range(200))
    assert cried <= 10
    drifting = np.cumsum(generator.normal(size=50))
    assert autocorrelation(drifting)[1]
    chart, _ = individuals(drifting)
    assert any("depend" in remark for remark in chart.remarks)


def test_false_alarms_of_limits() -> None:
    """With a long baseline a chart of limits cries at 0.27 % of the points; 200 null sets of 100 points."""
    generator = np.random.default_rng(3)
    cried = 0
    for _ in range(200):
        chart, _ = individuals(
            generator.normal(size=600), baseline=[True] * 500 + [False] * 100, rules=["WE1"]
        )
        cried += sum(place >= 500 for place in (s.place for s in chart.signals))
    assert cried <= 20_000 * 0.0027 + 3 * math.sqrt(20_000 * 0.0027)


def test_run_length_of_the_four_western_electric_rules() -> None:
    """91.75 (Champ and Woodall 1987, as NIST 6.3.2 quotes it) [from memory]; simulated here."""
    generator = np.random.default_rng(4)
    lengths = []
    for _ in range(300):
        points = generator.normal(size=800)
        found = hits(points[:150], WESTERN_ELECTRIC) or hits(points, WESTERN_ELECTRIC)
        lengths.append(found[0].place + 1)
    assert np.mean(lengths) == pytest.approx(91.75, abs=3 * np.std(lengths) / math.sqrt(300))


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(individuals([1, 2, 3]), Refused)
    assert isinstance(individuals([1, None] * 6), Refused)
    assert isinstance(attribute_chart("c", []), Refused)
    assert isinstance(x_bar_r([[1, 2]] * 3), Refused)
    assert isinstance(autocorrelation([1.0, 2.0]), Refused)
    refused = individuals([1] * 10, phases=["a"] * 8 + ["b"] * 2)
    assert isinstance(refused, Refused)
    assert "phase b" in refused.reason
    for call in (
        lambda: attribute_chart("np", [1] * 6, [5, 5, 5, 5, 5, 6]),
        lambda: attribute_chart("q", [1]),
        lambda: attribute_chart("p", [7], 5),
        lambda: attribute_chart("u", [-1], 5),
        lambda: individuals([1] * 10, keys=["a"]),
        lambda: individuals([1] * 30, phases=[*"a" * 10, *"b" * 10, *"a" * 10]),
        lambda: individuals(["x"] * 10),
        lambda: individuals([math.inf] * 10),
        lambda: x_bar_s([[1], [2]]),
        lambda: x_bar_s([[1, 2], [2]]),
        lambda: x_bar_s([1, 2]),
    ):
        with pytest.raises(UsageError):
            call()

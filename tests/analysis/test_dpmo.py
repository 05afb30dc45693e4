"""DPMO against published examples."""

import math

import pytest

from broker_bridge.analysis.control_charts import Chart, attribute_chart
from broker_bridge.analysis.dpmo import Opportunities, defects_per_unit, dpmo, per_million, sigma_level
from broker_bridge.analysis.intervals import Rate, Refused
from broker_bridge.errors import UsageError

# S. Shina, Six Sigma for Electronics Design and Manufacturing, Table 4.4: boards and defects of nine lots.
BOARDS = [10, 7, 12, 11, 12, 4, 10, 7, 7]
DEFECTS = [3, 1, 3, 0, 2, 0, 2, 0, 1]


def test_shina_table_4_4() -> None:
    opportunities = Opportunities.of(84, 297)  # 298 leads; the book counts 297
    assert opportunities.total == 466
    assert round(1e6 / opportunities.total) == 2146
    found = per_million(sum(DEFECTS), sum(BOARDS) * 466)
    assert isinstance(found, Rate)
    assert round(found.value, 3) == 321.888
    assert round(sum(DEFECTS) / sum(BOARDS), 2) == 0.15
    # d = 12, o = 37280: Garwood, computed with scipy when the references were collected.
    assert (round(found.interval.low, 1), round(found.interval.high, 1)) == (166.3, 562.3)
    chart = attribute_chart("u", DEFECTS, BOARDS)
    assert isinstance(chart, Chart)
    limits = {size: round(high, 3) for size, high in zip(BOARDS, chart.upper, strict=True)}
    assert limits == {10: 0.517, 7: 0.589, 12: 0.485, 11: pytest.approx(0.5, abs=0.001), 4: 0.731}
    assert set(chart.lower) == {0.0}


def test_60_defects_400_units_6_opportunities() -> None:
    """bayt.com: DPU 0.15, DPMO 25000."""
    found = defects_per_unit([1] * 60 + [0] * 340)
    assert isinstance(found, Rate)
    assert found.value == 0.15
    assert len(found.members) == 60
    assert per_million(60, 2400).value == pytest.approx(25000)


def test_classes_index_and_estimated_yield() -> None:
    """Own example, computed when the references were collected: 249 components make 250 with the bare board."""
    boards = [f"b{i}" for i in range(100)]
    kinds = ["component"] * 5 + ["placement"] * 10 + ["termination"] * 30
    found = dpmo(boards, [Opportunities(250, 250, 1200)] * 100, boards[:45], kinds, stage="in process")
    assert found.standard == "IPC-9261A"
    rates = (found.component, found.placement, found.termination, found.dpmo_index)
    assert [round(rate.value, 3) for rate in rates] == [200, 400, 250, 264.706]
    assert round(found.overall_manufacturing_index, 3) == 849.770
    assert round(found.estimated_yield, 6) == 0.637588
    assert round(math.exp(-0.45), 6) == 0.637628
    assert found.placement.members == tuple(boards[5:15])
    assert found.component.interval.low < 200 < found.component.interval.high


def test_end_item_names_the_other_standard_and_keeps_what_has_no_class() -> None:
    found = dpmo(
        ["a"],
        [Opportunities.of(10, 0, 10)],
        ["a", "a"],
        [None, "component"],
        stage="end item",
        not_inspected=["b", "c"],
        open_reviews=["a"],
    )
    assert found.standard == "IPC-7912A"
    assert found.unclassified == ("a",)
    assert (found.coverage.number, found.coverage.of) == (1, 3)
    assert found.open_reviews == ("a",)
    assert isinstance(found.termination, Refused)
    assert found.overall_manufacturing_index is None
    assert found.estimated_yield is None


@pytest.mark.parametrize(("defects", "level"), [(308538, 2), (66807, 3), (6210, 4), (232.63, 5), (3.4, 6)])
def test_sigma_level(defects: float, level: int) -> None:
    assert sigma_level(defects) == pytest.approx(level, abs=2e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: dpmo(["a"], [Opportunities(1, 1, 1)], ["b"], ["component"], stage="in process"),
        lambda: dpmo(["a", "a"], [Opportunities(1, 1, 1)] * 2, [], [], stage="in process"),
        lambda: dpmo(["a"], [Opportunities(1, 1, 1)], [], [], stage="somewhere"),
        lambda: sigma_level(0),
    ],
)
def test_wrong_calls(call) -> None:
    with pytest.raises(UsageError):
        call()

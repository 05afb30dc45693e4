"""Constants against an open table, scipy's quadrature and closed forms."""

import json
import math
from pathlib import Path

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from broker_bridge.analysis.chart_constants import constants, pooled_range_divisor
from broker_bridge.errors import UsageError


def test_open_table(shared: Path) -> None:
    """Computed independently by quadrature; its d3 is good to four digits (at n = 2 it has 0.85251 for sqrt(2 - 4/pi))."""
    path = shared / "spc_constants.json"
    if not path.exists():
        pytest.skip("open data are not on this machine: ../shared/data/spc_constants.json")
    table = json.loads(path.read_text())
    assert sorted(map(int, table)) == list(range(2, 26))
    for n, row in table.items():
        ours = constants(int(n))
        for name, value in row.items():
            loose = name in ("d3", "D1", "D2", "D3", "D4")
            assert getattr(ours, name) == pytest.approx(value, abs=5e-5 if loose else 1e-9), (n, name)


# Pyzdek and Keller, The Handbook for Quality Management, appendix A, and a second printed table: three digits.
PRINTED = {
    2: (1.880, 2.659, 0.7979, 1.128, 0, 3.267), 3: (1.023, 1.954, 0.8862, 1.693, 0, 2.575),
    5: (0.577, 1.427, 0.9400, 2.326, 0, 2.115), 7: (0.419, 1.182, 0.9594, 2.704, 0.076, 1.924),
    10: (0.308, 0.975, 0.9727, 3.078, 0.223, 1.777), 15: (0.223, 0.789, 0.9823, 3.472, 0.347, 1.653),
    25: (0.153, 0.606, 0.9896, 3.931, 0.459, 1.541),
}  # fmt: skip


@pytest.mark.parametrize("n", PRINTED)
def test_printed_tables(n: int) -> None:
    c = constants(n)
    assert (c.A2, c.A3, c.c4, c.d2, c.D3, c.D4) == pytest.approx(PRINTED[n], abs=0.0015)


def test_closed_forms_and_quadrature() -> None:
    c = constants(2)
    assert c.d2 == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert c.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-9)
    for n in (3, 12, 25):
        d2 = quad(lambda x, n=n: 1 - norm.cdf(x) ** n - norm.sf(x) ** n, -12, 12)[0]
        assert constants(n).d2 == pytest.approx(d2, rel=1e-10)


def test_places() -> None:
    assert constants(2, 3).d2 == 1.128
    assert constants(2, 3).D4 == 3.267


def test_d2_star() -> None:
    """AIAG, MSA 4th edition: K2 for 2 and 3 appraisers, K3 for 10 parts, four digits."""
    assert 1 / pooled_range_divisor(2) == pytest.approx(0.7071, abs=5e-5)
    assert 1 / pooled_range_divisor(3) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / pooled_range_divisor(10) == pytest.approx(0.3146, abs=5e-5)
    assert 1 / constants(3).d2 == pytest.approx(0.5908, abs=5e-5)


def test_one_value_has_no_spread() -> None:
    with pytest.raises(UsageError, match="no spread"):
        constants(1)

"""Aperture ratios against published examples of IPC-7525's formulas."""

import numpy as np
import pytest

from broker_bridge.analysis.apertures import Aperture, release, smallest_opening, transfer_efficiency
from broker_bridge.errors import UsageError


@pytest.mark.parametrize(
    ("aperture", "thickness", "ratio", "aspect", "volume", "releases"),
    [
        (Aperture.circle(0.30), 0.127, 0.59055, 2.362, 0.0089771, False),
        (Aperture.circle(0.30), 0.12, 0.625, 2.5, 0.0084823, False),
        (Aperture.circle(0.30), 0.10, 0.75, 3.0, 0.0070686, True),
        (Aperture.circle(0.25), 0.10, 0.625, 2.5, 0.0049087, False),
        (Aperture.rectangle(0.30, 0.25), 0.10, 0.68182, 2.5, 0.0075, True),  # calculator.academy: .68, 2.5
        (Aperture.rectangle(1.0, 0.5), 0.12, 1.38889, 4.1667, 0.060, True),  # a public calculator: 1.39, 4.17
        (Aperture(1138, 168), 5, 1138 / 840, None, 5690, True),  # hotwires.net, odd-shaped apertures, in mil
    ],
)
def test_examples(aperture, thickness, ratio, aspect, volume, releases) -> None:
    found = release(aperture, thickness)
    assert found.area_ratio == pytest.approx(ratio, abs=5.1e-6)
    assert (
        found.aspect_ratio is aspect
        if aspect is None
        else found.aspect_ratio == pytest.approx(aspect, abs=5e-4)
    )
    assert found.volume == pytest.approx(volume, abs=5.1e-8)
    assert found.releases is releases


def test_transfer_efficiency() -> None:
    area = Aperture.circle(0.30).area
    assert round(100 * float(transfer_efficiency([0.006], [area], 0.127)[0]), 2) == 66.84
    assert (round(0.5 * area * 0.127, 7), round(1.5 * area * 0.127, 7)) == (
        0.0044886,
        pytest.approx(0.0134657, abs=1.1e-7),
    )
    table = transfer_efficiency([[1.0, None], [2.0, 4.0]], [10, 20], 0.1)
    assert np.isnan(table[0, 1])
    assert table[1].tolist() == [2.0, 2.0]


def test_five_balls() -> None:
    """calculator.academy: 225, 190, 125, 75 micrometres for types 3 to 6."""
    assert [round(1000 * smallest_opening(powder)) for powder in (3, 4, 5, 6)] == [225, 190, 125, 75]


def test_wrong_calls() -> None:
    for call in (
        lambda: smallest_opening(9),
        lambda: Aperture.circle(0),
        lambda: Aperture.rectangle(1, -1),
        lambda: release(Aperture.circle(1), 0),
        lambda: transfer_efficiency([1, 2], [1], 0.1),
    ):
        with pytest.raises(UsageError):
            call()

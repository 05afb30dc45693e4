"""Paste, positions and products: against published figures where there are any."""

from random import Random
from statistics import fmean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.simulate import PARTS, STATIONS, numbering
from broker_bridge.simulate.model.paste import Stencil, transfer
from broker_bridge.simulate.products import PACKAGES, Part, Side, area_ratio

SIDES = [(part, side) for part in PARTS for side in part.sides]


@pytest.mark.parametrize(
    ("length", "width", "thickness", "ratio"),
    [
        # IPC-7525 rectangle formula; values as printed by public calculators: 0.68 and 1.39.
        (0.30, 0.25, 0.10, 0.68182),
        (1.00, 0.50, 0.12, 1.38889),
    ],
)
def test_area_ratio(length: float, width: float, thickness: float, ratio: float) -> None:
    assert area_ratio(length, width, thickness) == pytest.approx(ratio, abs=5e-6)


def test_transfer_falls_and_scatters_below_the_limit_of_ipc_7525() -> None:
    """0.66 is the rule of thumb of IPC-7525; the fall below it is common practice, no source for the numbers."""
    good, poor = transfer(1.2), transfer(0.55)
    assert good[0] > 95
    assert poor[0] < 70
    assert poor[1] / poor[0] > 2 * good[1] / good[0]


def test_print_has_the_mean_and_scatter_of_its_model() -> None:
    side = PARTS[0].sides[0]
    stencil = Stencil(side, 4, Random("print"))
    volumes = []
    for _ in range(200):
        stencil.wipe()
        volumes += [v for board in stencil.print() for v in board]
    mean, spread = transfer(area_ratio(0.55, 0.50))
    assert fmean(volumes) == pytest.approx(mean, rel=0.02)
    assert pstdev(volumes) == pytest.approx(spread, rel=0.35)


def test_a_clogged_aperture_stays_so_until_the_wipe() -> None:
    side = PARTS[1].sides[0]
    stencil = Stencil(side, 6, Random(4))
    while True:
        prints = [stencil.print() for _ in range(10)]
        stencil.wipe()
        low = [{(b, p) for b, board in enumerate(x) for p, v in enumerate(board) if v < 45} for x in prints]
        if any(low):
            first = next(i for i, pads in enumerate(low) if pads)
            assert all(low[first] <= later for later in low[first:])
            assert not {
                (b, p) for b, board in enumerate(stencil.print()) for p, v in enumerate(board) if v < 45
            }
            return


@pytest.mark.parametrize(
    ("part", "side"), SIDES, ids=lambda value: getattr(value, "number", None) or value.name
)
def test_products_are_buildable(part: Part, side: Side) -> None:
    names = [c.designator for other in part.sides for c in other.components]
    assert len(names) == len(set(names))
    assert 20 <= len(names) <= 60
    for component in side.components:
        assert 0 < component.x < part.board_mm[0]
        assert 0 < component.y < part.board_mm[1]
    fed = [
        c.designator
        for machine in ("PLACE1", "PLACE2")
        for group in side.slots(machine).values()
        for c in group
    ]
    assert sorted(fed) == sorted(c.designator for c in side.components)
    assert [c.first_pad for c in side.components] == [
        next(i for i, (owner, n) in enumerate(side.pads) if owner is c and n == 1) for c in side.components
    ]
    assert {c.package.name for c in side.components} <= set(PACKAGES)


@given(
    station=st.sampled_from(STATIONS),
    part=st.sampled_from(PARTS),
    side=st.sampled_from(["bottom", "top"]),
    turned=st.booleans(),
)
def test_numberings_name_every_position_once(station: str, part: Part, side: str, turned: bool) -> None:
    numbers = numbering(station, part.number, side, turned)
    first = 0 if station == "AOI" else 1
    assert sorted(numbers) == list(range(first, first + part.positions))
    other = numbering(station, part.number, side, not turned)
    assert numbers == tuple(reversed(other))  # turning by 180 degrees swaps opposite positions


def test_numberings_as_drawn() -> None:
    """Drawn by hand from the specification, top side, HW-2060: plant positions 4 5 6 above 1 2 3."""
    assert numbering("LOAD", "HW-2060", "top") == (1, 2, 3, 4, 5, 6)
    assert numbering("JET", "HW-2060", "top") == (1, 3, 5, 2, 4, 6)
    assert numbering("PLACE1", "HW-2060", "top") == (3, 2, 1, 6, 5, 4)
    assert numbering("AOI", "HW-2060", "top") == (5, 4, 3, 0, 1, 2)
    assert numbering("SPI", "HW-2060", "bottom") == (3, 2, 1, 6, 5, 4)
    assert numbering("SPI", "HW-2060", "top", turned=True) == (6, 5, 4, 3, 2, 1)

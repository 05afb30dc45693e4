"""Stencil apertures: what their size lets expect of paste release, and what share of the paste came off.

IPC-7525: area ratio = opening over wall area, to be above 0.66; aspect ratio = width over foil thickness, to be above 1.5. Both are
rules of thumb. All lengths in one unit.
"""

import math
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Floats, Numbers, floats, positive, same_length
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

AREA_RATIO: Final = 0.66
ASPECT_RATIO: Final = 1.5


LARGEST_PARTICLE: Final = {3: 0.045, 4: 0.038, 5: 0.025, 6: 0.015}
"""Of solder powder by type, in mm (J-STD-005 [from memory])."""


def smallest_opening(powder: int) -> float:
    """The narrowest opening, in mm, by the five-ball rule: five of the powder's largest particles. A rule of thumb."""
    if powder not in LARGEST_PARTICLE:
        raise UsageError(f"no powder type {powder}; there are {', '.join(map(str, LARGEST_PARTICLE))}")
    return 5 * LARGEST_PARTICLE[powder]


class Aperture(Value):
    """An opening in the foil."""

    area: float
    perimeter: float
    width: float | None = None
    """The smallest; None where the shape has none to speak of: then there is no aspect ratio."""

    @classmethod
    def circle(cls, diameter: float) -> "Aperture":
        """A round opening."""
        positive("diameter", diameter)
        return cls(math.pi * diameter**2 / 4, math.pi * diameter, diameter)

    @classmethod
    def rectangle(cls, length: float, width: float) -> "Aperture":
        """A rectangular opening."""
        sides = positive("length", length), positive("width", width)
        return cls(length * width, 2 * (length + width), min(sides))


class Release(Value):
    """What an aperture lets expect at a foil thickness."""

    area_ratio: float
    aspect_ratio: float | None
    volume: float
    """Of the aperture: 100 % transfer."""
    releases: bool
    """Both ratios above their limits, as far as known."""


def release(
    aperture: Aperture,
    thickness: float,
    *,
    area_ratio: float = AREA_RATIO,
    aspect_ratio: float = ASPECT_RATIO,
) -> Release:
    """The ratios of an aperture, against limits that are parameters."""
    positive("thickness", thickness)
    positive("area", aperture.area)
    ratio = aperture.area / (positive("perimeter", aperture.perimeter) * thickness)
    aspect = None if aperture.width is None else aperture.width / thickness
    fits = ratio > area_ratio and (aspect is None or aspect > aspect_ratio)
    return Release(ratio, aspect, aperture.area * thickness, fits)


def transfer_efficiency(volumes: Numbers, areas: Numbers, thickness: float) -> Floats:
    """Measured volume over aperture volume, pad by pad, as shares (1 is all of it); not measured stays not-a-number."""
    measured, opening = floats("volumes", volumes), floats("areas", areas)
    if measured.ndim == 1:
        same_length(volumes=measured, areas=opening)
    return np.asarray(measured / (opening * positive("thickness", thickness)))

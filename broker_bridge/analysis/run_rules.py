"""Run rules: patterns on a control chart that chance alone makes rarely.

Western Electric, Statistical Quality Control Handbook (1956), zone tests; Nelson, J. Quality Technology 16(4), 1984. Read so:
a rule needs its full window (no "2 of 3" before the third point); in "k of n beyond" the newest point is itself beyond, so
that a signal is not repeated after the process has come back; exactly on a line is not beyond it; a point on the centre
line is on no side. A missing point ends every window.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import Floats, floats
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

_ON: Final = 1e-9
"""What rounding may put between a point and the line it is on, in sigma."""


class Hit(Value):
    """A rule fires at a point."""

    rule: str
    place: int
    """Of the newest point, from 0."""
    window: int
    """Points it takes; they end at `place`."""


Windows = NDArray[np.float64]
"""Windows x points, oldest point first."""
Fires = NDArray[np.bool_]


def _beyond(k: int, sigma: float) -> Callable[[Windows], Fires]:
    def fires(windows: Windows) -> Fires:
        sides = [side > sigma + _ON for side in (windows, -windows)]
        above, below = (side[:, -1] & (side.sum(axis=1) >= k) for side in sides)
        return np.asarray(above | below)

    return fires


def _one_side(windows: Windows) -> Fires:
    return np.asarray((windows > _ON).all(axis=1) | (windows < -_ON).all(axis=1))


def _trend(windows: Windows) -> Fires:
    steps = np.diff(windows)
    return np.asarray((steps > 0).all(axis=1) | (steps < 0).all(axis=1))


def _alternating(windows: Windows) -> Fires:
    steps = np.sign(np.diff(windows))
    return np.asarray((steps != 0).all(axis=1) & (steps[:, 1:] == -steps[:, :-1]).all(axis=1))


def _hugging(windows: Windows) -> Fires:
    return np.asarray((np.abs(windows) < 1 - _ON).all(axis=1))


def _mixture(windows: Windows) -> Fires:
    far = (np.abs(windows) > 1 + _ON).all(axis=1)
    return np.asarray(far & (windows > 0).any(axis=1) & (windows < 0).any(axis=1))


RULES: Final[Mapping[str, tuple[int, Callable[[Windows], Fires], str]]] = {
    "WE1": (1, _beyond(1, 3), "one point beyond 3 sigma"),
    "WE2": (3, _beyond(2, 2), "2 of 3 beyond 2 sigma on one side"),
    "WE3": (5, _beyond(4, 1), "4 of 5 beyond 1 sigma on one side"),
    "WE4": (8, _one_side, "8 in a row on one side of the centre"),
    "N1": (1, _beyond(1, 3), "one point beyond 3 sigma"),
    "N2": (9, _one_side, "9 in a row on one side of the centre"),
    "N3": (6, _trend, "6 in a row rising, or falling"),
    "N4": (14, _alternating, "14 in a row alternating up and down"),
    "N5": (3, _beyond(2, 2), "2 of 3 beyond 2 sigma on one side"),
    "N6": (5, _beyond(4, 1), "4 of 5 beyond 1 sigma on one side"),
    "N7": (15, _hugging, "15 in a row within 1 sigma"),
    "N8": (8, _mixture, "8 in a row beyond 1 sigma, on both sides"),
}
"""Rule to window, test, wording."""

LIMITS: Final = ("WE1",)
WESTERN_ELECTRIC: Final = ("WE1", "WE2", "WE3", "WE4")
NELSON: Final = ("N1", "N2", "N3", "N4", "N5", "N6", "N7", "N8")


def hits(z: Sequence[float] | Floats, rules: Sequence[str] = WESTERN_ELECTRIC) -> tuple[Hit, ...]:
    """Where the rules fire on points in sigma from the centre; in order of point, then rule as asked.

    Raises UsageError for a rule that RULES does not name.
    """
    unknown = [rule for rule in rules if rule not in RULES]
    if unknown:
        raise UsageError(f"no such run rule: {', '.join(unknown)}; there are {', '.join(RULES)}")
    points = floats("z", z)
    found = []
    for order, rule in enumerate(rules):
        size, fires, _ = RULES[rule]
        if len(points) < size:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(points, size)
        whole = ~np.isnan(windows).any(axis=1)
        places = np.flatnonzero(whole & fires(windows)) + size - 1
        found += [(int(place), order, Hit(rule, int(place), size)) for place in places]
    return tuple(hit for *_, hit in sorted(found))

"""How paste comes off a stencil: percent of the aperture's volume, pad by pad.

The transfer efficiency falls with the area ratio (steeply below 0.66, IPC-7525) and scatters more there; a whole
print has its own factor (squeegee, temperature) and fades until the stencil is wiped; now and then an aperture
clogs and stays so until the next wipe. The figures are invented, their shape is common practice.
"""

import math
from random import Random

from broker_bridge.simulate.products import Side, area_ratio

WIPE_EVERY = 10  # prints
CLOG_RATE = 1.5e-5  # per aperture and print; five times that where the area ratio is poor


def transfer(ratio: float) -> tuple[float, float]:
    """Mean and standard deviation of the paste volume, in percent of the aperture, for an area ratio."""
    mean = 98.0 / (1.0 + math.exp((0.50 - ratio) / 0.07))
    return mean, mean * (0.05 + 0.05 * math.exp(-(ratio - 0.60) / 0.15))


class Stencil:
    """One side's stencil in the printer: its state decides the print."""

    def __init__(self, side: Side, positions: int, chance: Random) -> None:
        self.name = f"ST-{side.setup}"
        self.count = 0
        self.since_wipe = 0
        self._chance = chance
        ratios = [area_ratio(*component.package.pads[n - 1]) for component, n in side.pads]
        self._table = [transfer(ratio) for ratio in ratios]
        self._weights = [5.0 if ratio < 0.75 else 1.0 for ratio in ratios]
        self._clog_rate = positions * CLOG_RATE * sum(self._weights)
        self._positions = positions
        self._clogged: dict[tuple[int, int], float] = {}

    def wipe(self) -> None:
        self.since_wipe = 0
        self._clogged.clear()

    def print(self) -> list[list[float]]:
        """One print: volume in percent per board and pad."""
        chance = self._chance
        self.count += 1
        self.since_wipe += 1
        if chance.random() < self._clog_rate:
            pad = chance.choices(range(len(self._table)), self._weights)[0]
            self._clogged[chance.randrange(self._positions), pad] = chance.uniform(0.05, 0.5)
        factor = chance.gauss(1.0, 0.025) * (1.0 - 0.003 * self.since_wipe)
        normal = chance.gauss
        boards = [
            [max(0.0, factor * (mean + spread * normal(0.0, 1.0))) for mean, spread in self._table]
            for _ in range(self._positions)
        ]
        for (position, pad), left in self._clogged.items():
            boards[position][pad] *= left
        if chance.random() < 0.002:  # paste under the stencil: one corner of a board comes out thick
            thick = boards[chance.randrange(self._positions)]
            for pad in range(min(6, len(thick))):
                thick[pad] *= chance.uniform(1.4, 1.8)
        return boards

"""Reels: made, stored, used up, returned partly used.

A reel's label names one id and one lot. What is on it may be two lots under that one id (a lot split).
"""

from dataclasses import dataclass, field
from random import Random

from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.products import PACKAGES, PARTS

REEL_QUANTITY = {"PLACE1": 5000, "PLACE2": 800}


@dataclass(slots=True)
class Reel:
    """`stretches` are what is on it in order of use: [lot, quantity left]."""

    name: str
    item: str
    label_lot: str
    stretches: list[tuple[str, int]]
    poor: bool = False  # its parts do not take solder (profile.causes.reel)

    @property
    def quantity(self) -> int:
        return sum(quantity for _, quantity in self.stretches)

    def take(self, count: int) -> list[tuple[str, int]]:
        """Use up to `count` parts; returns what was used, lot by lot. Less than asked: the reel is empty."""
        used = []
        while count and self.stretches:
            lot, left = self.stretches[0]
            taken = min(left, count)
            used.append((lot, taken))
            count -= taken
            if taken == left:
                self.stretches.pop(0)
            else:
                self.stretches[0] = (lot, left - taken)
        return used


@dataclass(slots=True)
class Store:
    """The reel store of the line: partly used reels go out first."""

    shop: Shop
    chance: Random
    _returned: dict[str, list[Reel]] = field(default_factory=dict)
    _made: int = 0
    _lots: dict[str, int] = field(default_factory=dict)
    _seen: set[str] = field(default_factory=set)
    _opened: dict[str, int] = field(default_factory=dict)

    def fetch(self, item: str, station: str) -> Reel:
        """A reel of `item`: a returned one if there is one with more than a handful, else a new one."""
        returned = self._returned.get(item, [])
        if returned:
            return returned.pop(0)
        return self._new(item, station)

    def give_back(self, reel: Reel) -> None:
        if reel.quantity >= 20:
            self._returned.setdefault(reel.item, []).append(reel)

    def lot_on_bench(self, item: str) -> tuple[str, str]:
        """Loose parts at the rework bench: (bag, lot)."""
        return f"BAG-{item[3:]}", f"{item[3:]}-B1"

    def _new(self, item: str, station: str) -> Reel:
        self._made += 1
        name = f"RL{700000 + self._made}"
        quantity = REEL_QUANTITY[_MACHINE_OF[item]]
        if item not in self._seen:  # the first of each is partly used: nobody starts a plant with full reels
            self._seen.add(item)
            quantity = int(quantity * self.chance.uniform(0.05, 0.6))
        lot = self._next_lot(item)
        split, at = self.chance.random() < self.shop.profile.material.lot_split, self.chance.uniform(0.2, 0.6)
        stretches = [(lot, quantity)]
        if split:
            first = max(1, int(quantity * at))
            other = self._next_lot(item)
            stretches = [(lot, first), (other, quantity - first)]
            self.shop.fault("lot_split", station, reel=name, label_lot=lot, lots=[lot, other])
        self._opened[item] = self._opened.get(item, 0) + 1
        cause = self.shop.profile.causes.reel
        poor = bool(cause.rate) and (item, self._opened[item]) == (cause.item, cause.number)
        if poor:
            self.shop.fault("poor_reel", station, reel=name, item=item, rate=cause.rate)
        return Reel(name, item, lot, stretches, poor)

    def _next_lot(self, item: str) -> str:
        number = self._lots.get(item, 0)
        if self.chance.random() < 0.5 or number == 0:
            number += 1
        self._lots[item] = number
        return f"{item[3:]}-L{number:03d}"


_MACHINE_OF = {c.item: PACKAGES[c.package.name].machine for p in PARTS for s in p.sides for c in s.components}

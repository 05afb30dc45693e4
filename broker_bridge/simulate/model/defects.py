"""Real defects and their causes: what the paste at a pad, or bad luck in placement, becomes in the oven.

Rates are per component and invented; their order (printing first) is common practice, no source.
"""

from collections.abc import Sequence
from random import Random

from broker_bridge.simulate.model.panels import Board, Defect
from broker_bridge.simulate.products import Component, Side

RATES = {
    "missing": 25e-6,
    "shifted": 40e-6,
    "tombstone": 30e-6,  # two-terminal parts
    "polarity": 12e-6,  # polarized parts
    "lifted_lead": 40e-6,  # fine-pitch parts
    "open": 60e-6,  # parts with hidden terminations
}

DETECTION = {
    "missing": 0.995,
    "shifted": 0.95,
    "tombstone": 0.99,
    "polarity": 0.93,
    "lifted_lead": 0.85,
    "open": 0.80,
    "insufficient_solder": 0.80,
    "bridge": 0.97,
}
"""Share that optical inspection calls when the termination can be seen; of hidden ones it calls one in twenty."""

TEST_DETECTION = {
    "missing": 0.98,
    "shifted": 0.15,
    "tombstone": 0.98,
    "polarity": 0.90,
    "lifted_lead": 0.90,
    "open": 0.95,
    "insufficient_solder": 0.20,
    "bridge": 0.95,
}
"""Share that the electrical test finds in one attempt."""


def chances(component: Component) -> dict[str, float]:
    """The defects bad luck can give this component, with their rates."""
    package = component.package
    rates = {name: RATES[name] for name in ("missing", "shifted")}
    if len(package.pads) == 2:
        rates["tombstone"] = RATES["tombstone"]
    if package.polarized:
        rates["polarity"] = RATES["polarity"]
    if package.fine:
        rates["lifted_lead"] = RATES["lifted_lead"]
    if package.hidden:
        rates["open"] = RATES["open"]
    return rates


class Reflow:
    """Turns paste and luck into defects, for one side."""

    def __init__(self, side: Side, scale: float, chance: Random) -> None:
        self._side = side
        self._chance = chance
        table = [(c, name, rate) for c in side.components for name, rate in chances(c).items()]
        self._outcomes = [(component, name) for component, name, _ in table]
        self._rates = [rate for *_, rate in table]
        self._total = min(1.0, scale * sum(self._rates))

    def solder(self, board: Board, volumes: Sequence[float]) -> None:
        """Add this pass's defects to a board, from the paste volumes (percent) of its pads."""
        chance = self._chance
        luck = chance.random()
        if luck < self._total:
            component, name = chance.choices(self._outcomes, self._rates)[0]
            termination = chance.randint(1, len(component.package.pads)) if name in _AT_TERMINATION else 0
            self._add(board, component, termination, name)
        if min(volumes) < 45.0 or max(volumes) > 155.0:
            for pad, volume in enumerate(volumes):
                if volume < 45.0 or volume > 155.0:
                    self._by_paste(board, pad, volume)

    def _by_paste(self, board: Board, pad: int, volume: float) -> None:
        component, termination = self._side.pads[pad]
        luck = self._chance.random()
        if volume > 155.0:
            if component.package.fine and luck < 0.4:
                self._add(board, component, termination, "bridge")
        elif luck < (45.0 - volume) / 45.0:
            two = len(component.package.pads) == 2
            name = "open" if volume < 12.0 else "tombstone" if two and luck < 0.1 else "insufficient_solder"
            self._add(board, component, termination, name)

    def _add(self, board: Board, component: Component, termination: int, name: str) -> None:
        board.defects.setdefault(component.designator, Defect(component.designator, termination, name))


_AT_TERMINATION = frozenset({"lifted_lead", "open"})

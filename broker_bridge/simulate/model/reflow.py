"""The reflow oven: a belt that never stops, with panels on it at a pitch, and an entrance that counts.

A panel inside cannot wait, so the entrance admits one only while the conveyor behind the oven has room for
everything that is inside. A new profile needs an empty oven.
"""

from broker_bridge.simulate.model.defects import Reflow
from broker_bridge.simulate.model.kernel import Signal, Step
from broker_bridge.simulate.model.panels import Panel
from broker_bridge.simulate.model.records import INSERTED, REMOVED, TRANSFERRED, OvenReading
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.model.visits import tell_visit
from broker_bridge.simulate.products import Side

DWELL_S = 285.0
PITCH_S = 24.0
READING_EVERY_S = 30.0

ZONES = (110.0, 135.0, 155.0, 170.0, 190.0, 225.0, 250.0, 245.0)


class Oven(Station):
    """OVEN. `inside` is in order of entry and of exit."""

    def __init__(self, shop: Shop, name: str, capacity: int) -> None:
        super().__init__(shop, name, capacity)
        self.inside: list[Panel] = []
        self._left = Signal(shop.kernel)
        self._last_entry = -PITCH_S
        self._program = ""
        self._stable_at = 0.0
        self._offset = 0.0
        self._reflow: dict[str, Reflow] = {}
        self._solder_luck = shop.chance("solder")

    def run(self) -> Step[None]:
        assert self.following is not None
        behind = self.following.entrance
        while True:
            panel = yield from self.entrance.peek()
            yield from self.prepare(panel)
            while len(self.inside) + len(behind.conveyor) >= behind.capacity:
                yield behind.room
            if (wait := self._last_entry + PITCH_S - self.shop.now) > 0:
                yield wait
            by_hand = self.entrance.pull(panel)
            self.arrive(panel, INSERTED if by_hand else TRANSFERRED)
            self.place = None  # on the belt: the entrance is free for the next one after the pitch
            self._last_entry = self.shop.now
            self.inside.append(panel)
            self.shop.kernel.start(self._ride(panel))

    def change_over(self, panel: Panel) -> Step[None]:
        while self.inside:
            yield self._left
        self._program = panel.side.program
        self._offset = -4.0 if panel.side.name == "bottom" else 0.0
        self._stable_at = self.shop.now + 600.0
        yield 600.0

    def _ride(self, panel: Panel) -> Step[None]:
        yield DWELL_S
        reflow = self._reflow_of(panel.side)
        for board, volumes in zip(panel.boards, panel.paste, strict=True):
            if not board.skipped:
                reflow.solder(board, volumes)
        panel.paste = []
        self.inside.remove(panel)
        yield from self.pass_on(panel, "processed")

    def depart(self, panel: Panel, how: int, outcome: str) -> None:
        assert how in (TRANSFERRED, REMOVED)
        self.shop.say(panel.transfer(self.name, self.shop.now, False, how), panel.code)
        tell_visit(self.shop, self.name, "belt", panel, outcome)
        self._left.fire()

    def _reflow_of(self, side: Side) -> Reflow:
        if side.setup not in self._reflow:
            scale = self.shop.profile.process.defect_scale
            self._reflow[side.setup] = Reflow(side, scale, self._solder_luck)
        return self._reflow[side.setup]

    def read_zones(self) -> Step[None]:
        """The recorder of the oven: a reading every 30 s as long as anything else goes on in the plant."""
        while self.shop.kernel.busy:
            yield READING_EVERY_S
            stable = self.shop.now >= self._stable_at
            swing = 0.6 if stable else 4.0
            zones = tuple(round(zone + self._offset + self.chance.gauss(0.0, swing), 1) for zone in ZONES)
            self.shop.say(
                OvenReading(
                    self.name,
                    self.shop.now,
                    self._program,
                    stable,
                    zones,
                    round(self.chance.gauss(85.0, 0.15), 1),
                    int(self.chance.gauss(900.0, 40.0)),
                )
            )

"""Placement: feeders, reels that deplete, set-up, splice and exchange, and which lot went to which designator."""

from dataclasses import dataclass, field
from itertools import groupby

from broker_bridge.simulate.model.kernel import Step
from broker_bridge.simulate.model.materials import Reel, Store
from broker_bridge.simulate.model.panels import Defect, Panel
from broker_bridge.simulate.model.records import Placed, PlacementProgram, PlacementStop, ReelEvent
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.positions import numbering
from broker_bridge.simulate.products import Component

SECOND_SLOTS = 40  # slots of the second bank count on from here
LOW_AT = 80  # parts left when the machine warns


@dataclass(slots=True)
class Feeder:
    """One slot: the reel that is there, those spliced behind it, and whether the machine was told."""

    slot: int
    item: str
    components: tuple[Component, ...]
    reels: list[Reel]
    known: bool  # False: nobody scanned the set-up, the machine knows no reel
    warned: bool = False
    fed: list[tuple[Reel, int]] = field(default_factory=list)  # for the panel at hand, as the machine counts

    def believed(self, reel: Reel) -> tuple[str | None, str | None]:
        return (reel.name, reel.label_lot) if self.known else (None, None)


class Placement(Station):
    """PLACE1, PLACE2. Boards are placed one after the other, in plant numbering, slot by slot."""

    reach = (6_000.0, 110.0)

    def __init__(self, shop: Shop, name: str, capacity: int, store: Store, seconds_per_part: float) -> None:
        super().__init__(shop, name, capacity)
        self._store = store
        self._seconds_per_part = seconds_per_part
        self._feeders: list[Feeder] = []
        self._reel_luck = shop.chance(f"reels {name}")
        self._second_slots = shop.chance(f"second slots {name}")
        self._causes = shop.chance(f"causes {name}")

    def change_over(self, panel: Panel) -> Step[None]:
        """All feeders out, their reels back to the store; the new ones in, one after the other."""
        for feeder in self._feeders:
            for reel in feeder.reels:
                self._reel_event("removed", feeder, reel)
                self._store.give_back(reel)
                yield 6.0
        self._feeders = []
        yield 240.0
        for slot, components in self._slots(panel):
            item = components[0].item
            feeder = Feeder(slot, item, components, [self._store.fetch(item, self.name)], True)
            yield 25.0
            self._set_up(feeder)
            self._feeders.append(feeder)
        self.shop.say(
            PlacementProgram(
                self.name,
                self.shop.now,
                panel.side.program,
                tuple(
                    (f.slot, f.item, f.components[0].package.nozzle, tuple(c.designator for c in f.components))
                    for f in self._feeders
                ),
            )
        )  # fmt: skip

    def _slots(self, panel: Panel) -> list[tuple[int, tuple[Component, ...]]]:
        """What is fed from where; an item on two slots has half of its places at each."""
        rate = self.shop.profile.material.two_slots
        slots: list[tuple[int, tuple[Component, ...]]] = []
        for slot, components in panel.side.slots(self.name).items():
            half = len(components) // 2
            if not rate or not half or self._second_slots.random() >= rate:
                slots.append((slot, components))
                continue
            slots += [(slot, components[:half]), (slot + SECOND_SLOTS, components[half:])]
            self.shop.fault(
                "two_slots", self.name, None, item=components[0].item, slots=[slot, slot + SECOND_SLOTS]
            )
        return slots

    def work(self, panel: Panel) -> Step[str]:
        began = self.shop.now
        yield 5.0
        populated = panel.populated
        serials = tuple(board.serial for board in populated)
        for feeder in self._feeders:
            feeder.fed = []
            needed = len(feeder.components) * len(populated)
            lot, left = feeder.reels[0].stretches[0] if feeder.reels[0].stretches else ("", 0)
            if left > needed:
                reel = feeder.reels[0]
                reel.take(needed)
                feeder.fed.append((reel, needed))
                self._tell(panel, serials, feeder, feeder.components, reel, lot)
            else:
                yield from self._place_across(panel, feeder)
            if not feeder.warned and len(feeder.reels) == 1 and feeder.reels[0].quantity < LOW_AT:
                self._warn(feeder, panel)
        self._lose_parts(panel)
        parts = sum(quantity for feeder in self._feeders for _, quantity in feeder.fed)
        yield parts * self._seconds_per_part
        numbers = numbering(self.name, panel.part.number, panel.side.name, panel.turned)
        per_board = sum(len(feeder.components) for feeder in self._feeders)
        self.shop.say(
            Placed(
                self.name,
                self.shop.now,
                began,
                self.code,
                panel.side.program,
                tuple(
                    sorted(
                        (number, 0 if board.skipped else per_board, board.skipped)
                        for number, board in zip(numbers, panel.boards, strict=True)
                    )
                ),
                tuple(
                    (f.slot, f.item, *f.believed(reel), quantity, self._rejects(quantity))
                    for f in self._feeders
                    for reel, quantity in f.fed
                ),
            ),
            panel.code,
        )
        return "processed"

    def _lose_parts(self, panel: Panel) -> None:
        """What a bad nozzle does, where the profile has one."""
        cause = self.shop.profile.causes.nozzle
        if not cause.rate:
            return
        for feeder in self._feeders:
            for board in panel.populated:
                for component in feeder.components:
                    if component.package.nozzle == cause.nozzle and self._causes.random() < cause.rate:
                        name = "missing" if self._causes.random() < 0.5 else "shifted"
                        board.defects.setdefault(component.designator, Defect(component.designator, 0, name))

    def _place_across(self, panel: Panel, feeder: Feeder) -> Step[None]:
        """The slow way: part by part, over the end of a lot, a splice or an empty reel."""
        for board in panel.populated:
            sources: list[tuple[Reel, str, Component]] = []
            for component in feeder.components:
                while not feeder.reels[0].quantity:
                    yield from self._next_reel(feeder)
                reel = feeder.reels[0]
                lot = reel.take(1)[0][0]
                sources.append((reel, lot, component))
                if feeder.fed and feeder.fed[-1][0] is reel:
                    feeder.fed[-1] = (reel, feeder.fed[-1][1] + 1)
                else:
                    feeder.fed.append((reel, 1))
            for _, run in groupby(sources, key=lambda source: (source[0].name, source[1])):
                stretch = list(run)
                components = tuple(component for *_, component in stretch)
                self._tell(panel, (board.serial,), feeder, components, stretch[0][0], stretch[0][1])

    def _next_reel(self, feeder: Feeder) -> Step[None]:
        """The spliced reel runs in without a stop; else the machine waits for a person with a new one."""
        feeder.reels.pop(0)
        feeder.warned = False
        if feeder.reels:
            return
        yield 30.0 + self._reel_luck.uniform(20.0, 90.0)
        feeder.reels = [self._store.fetch(feeder.item, self.name)]
        self._set_up(feeder)

    def _warn(self, feeder: Feeder, panel: Panel) -> None:
        """Low: the machine says so, and some changes are made by splicing before the reel ends."""
        feeder.warned = True
        self._reel_event("low", feeder, feeder.reels[0])
        if self._reel_luck.random() < self.shop.profile.process.splices:
            reel = self._store.fetch(feeder.item, self.name)
            feeder.reels.append(reel)
            self._reel_event("spliced", feeder, reel)
            self.shop.fault(
                "splice",
                self.name,
                panel.code,
                slot=feeder.slot,
                reel=reel.name,
                left=feeder.reels[0].quantity,
            )

    def _set_up(self, feeder: Feeder) -> None:
        feeder.known = self._reel_luck.random() >= self.shop.profile.material.unproven_setup
        if not feeder.known:
            self.shop.fault(
                "unproven_setup",
                self.name,
                None,
                slot=feeder.slot,
                item=feeder.item,
                reel=feeder.reels[0].name,
            )
        self._reel_event("set_up", feeder, feeder.reels[0])

    def _reel_event(self, name: str, feeder: Feeder, reel: Reel) -> None:
        label, lot = feeder.believed(reel)
        quantity = reel.quantity if feeder.known else None
        self.shop.say(
            ReelEvent(
                self.name, self.shop.now, name, feeder.slot, feeder.item, label, lot, quantity, feeder.known
            )
        )

    def _rejects(self, quantity: int) -> int:
        return 1 if self.chance.random() < quantity * 0.0006 else 0

    def _tell(
        self,
        panel: Panel,
        serials: tuple[str, ...],
        feeder: Feeder,
        components: tuple[Component, ...],
        reel: Reel,
        lot: str,
    ) -> None:
        if reel.poor:
            for board in panel.populated:
                if board.serial in serials:
                    self._do_not_solder(board.defects, components)
        self.shop.tell(
            "material",
            serials,
            station=self.name,
            side=panel.side.name,
            at=self.shop.now,
            designators=[component.designator for component in components],
            item=feeder.item,
            lot=lot,
            reel=reel.name,
            slot=feeder.slot,
        )

    def _do_not_solder(self, defects: dict[str, Defect], components: tuple[Component, ...]) -> None:
        for component in components:
            if self._causes.random() < self.shop.profile.causes.reel.rate:
                name = "tombstone" if len(component.package.pads) == 2 else "open"
                defects.setdefault(component.designator, Defect(component.designator, 1, name))

    def say_stop(self, began: float) -> None:
        self.shop.say(PlacementStop(self.name, self.shop.now, began, "pick error"))

"""Optical inspection after the oven: calls, false calls, escapes, bypass, reference boards, and the unloader."""

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from broker_bridge.simulate.model.defects import DETECTION
from broker_bridge.simulate.model.kernel import Step
from broker_bridge.simulate.model.panels import Board, Defect, Order, Panel
from broker_bridge.simulate.model.records import (
    FAILED,
    GOOD,
    INSERTED,
    REMOVED,
    UNLOADED,
    Call,
    Inspected,
    InspectedBoard,
)
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.model.visits import renew
from broker_bridge.simulate.positions import numbering
from broker_bridge.simulate.products import Component, Side

SLOTS_PER_MAGAZINE = 25
FALSE_NAMES = ("shifted", "insufficient_solder", "lifted_lead", "missing")

Finding = tuple[Board, Call]


@dataclass(frozen=True, slots=True)
class Findings:
    """What one inspection called on a panel, when, and whether the panel lay turned."""

    calls: tuple[Finding, ...]
    at: float
    turned: bool


class OpticalInspection(Station):
    """AOI. `onward` takes each panel from the unloader with what was called on it."""

    def __init__(
        self, shop: Shop, name: str, capacity: int, onward: Callable[[Panel, Findings], None]
    ) -> None:
        super().__init__(shop, name, capacity)
        self._onward = onward
        self._calls = shop.chance("aoi calls")
        self._skip_lists = shop.chance("skip lists")
        self._swaps = shop.chance("magazine swaps")
        self._unnamed = 0
        self._findings: list[Finding] = []
        self._inspected_at = 0.0
        self._uncovered: frozenset[str] = frozenset()
        self._count = 0
        self._edited_after = 0
        self._since_reference = 0
        self._references: dict[str, Panel] = {}
        self._unloaded = 0

    def change_over(self, panel: Panel) -> Step[None]:
        yield 120.0
        self._uncovered = frozenset()
        self._count = 0
        edited, after = self.chance.random() < self.shop.profile.programs.edited, self.chance.randint(2, 5)
        self._edited_after = after if edited else 0

    def prepare(self, panel: Panel) -> Step[None]:
        yield from super().prepare(panel)
        every = self.shop.profile.verification.reference_every
        if every and self._since_reference >= every:
            self._since_reference = 0
            yield from self._verify(panel)

    def work(self, panel: Panel) -> Step[str]:
        self._count += 1
        self._since_reference += 1
        self._findings = []
        if self._count == self._edited_after:
            self._edit(panel)
        if self.chance.random() < self.shop.profile.inspection.bypassed:
            self.shop.fault("bypassed", self.name, panel.code)
            yield 5.0
            return "bypassed"
        return (yield from self._inspect(panel))

    def _inspect(self, panel: Panel) -> Step[str]:
        began = self.shop.now
        yield 15.0 + self.chance.uniform(0.0, 4.0)
        numbers = numbering(self.name, panel.part.number, panel.side.name, panel.turned)
        boards = []
        whole = self._skip_list_lost(panel)
        for number, board in zip(numbers, panel.boards, strict=True):
            if board.skipped:
                bare = self._bare(panel.side) if whole else ()
                boards.append(InspectedBoard(number, not whole, bare))
                continue
            calls = self._look_at(panel.side, board)
            boards.append(InspectedBoard(number, False, calls))
            if calls:
                self.failing.add(board.serial)
                self._findings += [(board, call) for call in calls]
        self._tell_calls(panel)
        boards.sort(key=lambda entry: entry.number)
        self._inspected_at = self.shop.now
        panel.failed = FAILED if self.failing else GOOD
        self.shop.say(
            Inspected(
                self.name,
                self.shop.now,
                began,
                self.code,
                panel.part.number,
                panel.side.name,
                panel.side.program,
                panel.order.name,
                self._uncovered,
                self._where_the_code_is(panel),
                tuple(boards),
            ),
            panel.code,
        )
        return "failed" if self.failing else "passed"

    def _skip_list_lost(self, panel: Panel) -> bool:
        """Whether the inspection is not told which boards are crossed out; it then calls every part of them missing."""
        rate = self.shop.profile.handling.skip_list_lost
        lost = (
            bool(rate) and any(board.skipped for board in panel.boards) and self._skip_lists.random() < rate
        )
        if lost:
            positions = [board.position for board in panel.boards if board.skipped]
            self.shop.fault("skip_list_lost", self.name, panel.code, positions=positions)
        return lost

    def _bare(self, side: Side) -> tuple[Call, ...]:
        return tuple(
            Call(component.designator, 0, "missing")
            for component in side.components
            if component.designator not in self._uncovered
        )

    def _look_at(self, side: Side, board: Board) -> tuple[Call, ...]:
        luck = self._calls
        calls = []
        for defect in board.defects.values():
            component = side.by_designator.get(defect.designator)
            if component is None or defect.designator in self._uncovered:
                continue
            seen = 0.05 if component.package.hidden and defect.termination else DETECTION[defect.name]
            if luck.random() < seen:
                calls.append(Call(defect.designator, defect.termination, defect.name))
        expected = self.shop.profile.process.false_calls_per_million * 1e-6 * len(side.components)
        while luck.random() < expected / (1.0 + expected):  # geometric: its mean is `expected`
            component = luck.choice(side.components)
            if component.designator in self._uncovered or component.designator in board.defects:
                continue
            if all(call.designator != component.designator for call in calls):
                calls.append(_false_call(component, luck))
        return tuple(calls)

    def _where_the_code_is(self, panel: Panel) -> tuple[float, float]:
        """The engraved code lies near the lower left corner of the panel; on a turned one near the upper right."""
        x, y = 8.0, 3.0
        if panel.turned:
            x, y = panel.part.panel_mm[0] - x, panel.part.panel_mm[1] - y
        return round(x + self._calls.gauss(0.0, 0.05), 2), round(y + self._calls.gauss(0.0, 0.05), 2)

    def _tell_calls(self, panel: Panel) -> None:
        number = panel.passes.get((self.name, panel.side.name), 0) + 1
        for board, call in self._findings:
            self.shop.tell(
                "call",
                (board.serial,),
                station=self.name,
                side=panel.side.name,
                **{"pass": number},
                at=self.shop.now,
                designator=call.designator,
                termination=call.termination,
                defect=call.defect,
                real=call.designator in board.defects,
            )

    def pass_on(self, panel: Panel, outcome: str) -> Step[None]:
        """Unload into a magazine; from there the panel goes to review or on its way."""
        magazine, slot = divmod(self._unloaded, SLOTS_PER_MAGAZINE)
        self._unloaded += 1
        if slot == 0:
            rate = self.shop.profile.handling.magazine_swaps
            self._unnamed = int(bool(rate) and magazine > 0 and self._swaps.random() < rate)
        true, stated = (f"MAG-{number % 40 + 1:02d}" for number in (magazine, magazine - self._unnamed))
        if true != stated:
            self.shop.fault(
                "magazine_swapped", self.name, panel.code, magazine=true, stated=stated, slot=slot + 1
            )
        panel.magazine, panel.slot = stated, slot + 1
        self.depart(panel, UNLOADED, outcome)
        panel.magazine = true
        findings = Findings(tuple(self._findings), self._inspected_at, panel.turned)
        panel.turned = False
        self._onward(panel, findings)
        yield 3.0

    def _edit(self, panel: Panel) -> None:
        """Somebody takes a designator out of the program and saves it under its old name."""
        left_out = self.chance.choice(panel.side.components).designator
        self._uncovered = frozenset({left_out})
        self.shop.fault(
            "program_edited", self.name, panel.code, program=panel.side.program, left_out=left_out
        )

    def _verify(self, panel: Panel) -> Step[None]:
        """A hand puts in the reference panel of this side, with defects that are known, and takes it out again."""
        reference = self._reference_of(panel)
        renew(self.shop, self.name, reference)
        self.shop.fault("reference_board", self.name, reference.code, program=panel.side.program)
        self.arrive(reference, INSERTED)
        self._findings = []
        outcome = yield from self._inspect(reference)
        self.depart(reference, REMOVED, outcome)
        yield 20.0

    def _reference_of(self, panel: Panel) -> Panel:
        if panel.setup not in self._references:
            side, part = panel.side, panel.part
            code = f"REF-{part.number}-{side.name[0].upper()}"
            order = Order("VERIFICATION", "", part, 1)
            boards = [Board(f"{code}-{n}", n, False, "reference") for n in range(1, part.positions + 1)]
            for board in boards:
                board.identifiers.append({"kind": "panel_barcode", "value": code})
            chosen = self.chance.sample(side.components, 2)
            for board, component, name in zip(boards, chosen, ("missing", "shifted"), strict=False):
                board.defects[component.designator] = Defect(component.designator, 0, name)
            self._references[panel.setup] = Panel(code, part, order, boards, side)
        return self._references[panel.setup]


def _false_call(component: Component, luck: Random) -> Call:
    name = luck.choice(FALSE_NAMES)
    if name == "lifted_lead" and len(component.package.pads) == 2:
        name = "tombstone"
    at_body = name not in ("lifted_lead", "insufficient_solder")
    termination = 0 if at_body else luck.randint(1, len(component.package.pads))
    return Call(component.designator, termination, name)

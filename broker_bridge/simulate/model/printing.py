"""Printing: the paste printer, its jars and stencils, the paste inspection and the jet top-up behind it."""

from dataclasses import dataclass

from broker_bridge.simulate.model.kernel import Step
from broker_bridge.simulate.model.panels import Defect, Panel
from broker_bridge.simulate.model.paste import WIPE_EVERY, Stencil
from broker_bridge.simulate.model.records import (
    FAILED,
    GOOD,
    REMOVED,
    PasteBoard,
    PasteInspected,
    PasteReading,
    Printed,
    PrinterEvent,
    ToppedUp,
)
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.positions import numbering
from broker_bridge.simulate.products import BOTTOM, Component
from broker_bridge.simulate.profile import PrintOffset

LOW, HIGH = 50.0, 150.0  # limits in percent of the aperture's volume: common practice
MOST_TOP_UPS = 12  # pads; with more the panel is washed and printed again
PRINTS_PER_JAR = 60
JARS_PER_LOT = 3


@dataclass(slots=True)
class Jar:
    name: str
    lot: str
    prints_left: int


class Printer(Station):
    """PRINT. Paste stays on the stencil when a new jar is opened: old lots remain possible until it is cleaned."""

    reach = (14_400.0, 180.0)

    def __init__(self, shop: Shop, name: str, capacity: int) -> None:
        super().__init__(shop, name, capacity)
        self._luck = shop.chance("paste")
        self._jars = 0
        self._jar = self._next_jar()
        self._on_stencil: dict[str, tuple[str, float]] = {}  # jar -> lot, share of the paste on the stencil
        self._stencil: Stencil | None = None
        self._worn = 0  # prints through the aperture that wears

    def _next_jar(self) -> Jar:
        self._jars += 1
        lot = f"PL{4410 + (self._jars - 1) // JARS_PER_LOT}"
        return Jar(f"JAR{self._jars:05d}", lot, PRINTS_PER_JAR)

    def change_over(self, panel: Panel) -> Step[None]:
        """Stencil out and washed, the other one in, program loaded."""
        if self._stencil is not None:
            self._event("WASH", stencil=self._stencil.name, count=str(self._stencil.count))
        yield 480.0
        self._stencil = Stencil(panel.side, panel.part.positions, self._luck)
        self._on_stencil = {self._jar.name: (self._jar.lot, 1.0)}
        self._event("PROGRAM", prog=panel.side.program, stencil=self._stencil.name)
        self._event("JAR", jar=self._jar.name, lot=self._jar.lot)

    def work(self, panel: Panel) -> Step[str]:
        stencil = self._stencil
        assert stencil is not None
        began = self.shop.now
        if stencil.since_wipe >= WIPE_EVERY:
            yield 14.0
            stencil.wipe()
            self._event("WIPE", stencil=stencil.name, mode="wet")
        if self._jar.prints_left == 0:
            yield 45.0
            self._jar = self._next_jar()
            self._on_stencil[self._jar.name] = (self._jar.lot, 0.0)
            self._event("JAR", jar=self._jar.name, lot=self._jar.lot)
        yield 18.0 + self.chance.uniform(0.0, 4.0)
        panel.paste = stencil.print()
        self._wear(panel)
        panel.low_pads = []
        self._jar.prints_left -= 1
        self._mix()
        self.shop.say(
            Printed(
                self.name,
                self.shop.now,
                began,
                self.code,
                panel.side.program,
                stencil.name,
                stencil.count,
                "F" if stencil.count % 2 else "R",
                self._jar.name,
            ),
            panel.code,
        )
        return "processed"

    def _wear(self, panel: Panel) -> None:
        """What a worn aperture does, where the profile has one."""
        cause = self.shop.profile.causes.aperture
        if (cause.part, cause.side) != (panel.part.number, panel.side.name):
            return
        self._worn += 1
        for pad, (component, termination) in enumerate(panel.side.pads):
            if (component.designator, termination) == (cause.designator, cause.termination):
                panel.paste[cause.position - 1][pad] *= max(0.05, 1.0 - cause.per_print * self._worn)

    def _mix(self) -> None:
        """Each print brings a sixth fresh paste under the squeegee and tells what the boards got."""
        shares = {jar: (lot, share * 5 / 6) for jar, (lot, share) in self._on_stencil.items()}
        lot, share = shares[self._jar.name]
        shares[self._jar.name] = (lot, share + 1 / 6)
        self._on_stencil = {jar: entry for jar, entry in shares.items() if entry[1] > 0.02}
        panel = self.place
        assert panel is not None
        for jar, (lot, _) in self._on_stencil.items():
            self.shop.tell(
                "material",
                tuple(board.serial for board in panel.populated),
                station=self.name,
                side=panel.side.name,
                at=self.shop.now,
                designators=[],
                item="paste",
                lot=lot,
                reel=jar,
                slot=None,
            )

    def _event(self, name: str, **fields: str) -> None:
        self.shop.say(PrinterEvent(self.name, self.shop.now, name, fields))

    def say_stop(self, began: float) -> None:
        self._event("STOP", seconds=f"{self.shop.now - began:.0f}", reason="board clamp")


class PasteInspection(Station):
    """SPI. Few low pads go on to the top-up; many, or any too high, and the panel is washed and printed again."""

    def __init__(
        self, shop: Shop, name: str, capacity: int, printer: Printer, *, every_pad: bool = False
    ) -> None:
        super().__init__(shop, name, capacity)
        self._printer = printer
        self._every_pad = every_pad
        self._shape = shop.chance("paste shape")
        self._low = LOW
        self._passed = 0
        self._edited_after = 0

    def change_over(self, panel: Panel) -> Step[None]:
        yield 90.0
        self._low = LOW
        self._passed = 0
        # One draw a run, so that other luck does not depend on whether the program is edited.
        edited, after = self.chance.random() < self.shop.profile.programs.edited, self.chance.randint(2, 5)
        self._edited_after = after if edited else 0

    def work(self, panel: Panel) -> Step[str]:
        began = self.shop.now
        self._passed += 1
        if self._passed == self._edited_after:
            self._low = 40.0
            self.shop.fault(
                "program_edited", self.name, panel.code, program=panel.side.program, low_limit=self._low
            )
        if self._passed % self.shop.profile.inspection.sampled_every:
            self.shop.fault("sampled_out", self.name, panel.code)
            yield 4.0
            self._say(panel, began, sampled_out=True, boards=())
            return "not_inspected"
        yield 13.0 + self.chance.uniform(0.0, 3.0)
        numbers = numbering(self.name, panel.part.number, panel.side.name, panel.turned)
        boards = []
        low: list[tuple[int, int]] = []
        high = 0
        for index, (board, volumes) in enumerate(zip(panel.boards, panel.paste, strict=True)):
            number = numbers[index]
            if board.skipped:
                boards.append(PasteBoard(number, True, 0, 0, 0, 0.0, 0.0, ()))
                continue
            least = min(volumes)
            calls: list[tuple[int, float]] = []
            if least < self._low or max(volumes) > HIGH:
                calls = [
                    (pad, volume) for pad, volume in enumerate(volumes) if not self._low <= volume <= HIGH
                ]
                self.failing.add(board.serial)
                self._tell_calls(panel, board.serial, calls)
            low_here = [(index, pad) for pad, volume in calls if volume < self._low]
            low += low_here
            high += len(calls) - len(low_here)
            boards.append(
                PasteBoard(
                    number,
                    False,
                    len(volumes),
                    len(low_here),
                    len(calls) - len(low_here),
                    sum(volumes) / len(volumes),
                    least,
                    self._measure(panel, index, list(enumerate(volumes)) if self._every_pad else calls),
                )
            )
        boards.sort(key=lambda entry: entry.number)
        self._say(panel, began, sampled_out=False, boards=tuple(boards))
        panel.low_pads = low
        panel.failed = FAILED if low or high else GOOD
        self._wash = bool(high) or len(low) > MOST_TOP_UPS
        return "failed" if low or high else "passed"

    def _measure(self, panel: Panel, index: int, pads: list[tuple[int, float]]) -> tuple[PasteReading, ...]:
        """The rows to write. The shape is a matter of the camera: its luck touches nothing else."""
        normal = self._shape.gauss
        table = panel.side.pads
        low = self._low
        off = [_off(self.shop.profile.causes.offset, panel, index, table[pad][0]) for pad, _ in pads]
        return tuple(
            PasteReading(
                table[pad][0].designator,
                table[pad][1],
                volume,
                normal(98.0, 3.0),
                normal(0.0, 12.0) + dx,
                normal(0.0, 12.0) + dy,
                "LOW" if volume < low else "HIGH" if volume > HIGH else "PASS",
            )
            for (pad, volume), (dx, dy) in zip(pads, off, strict=True)
        )

    def pass_on(self, panel: Panel, outcome: str) -> Step[None]:
        luck = self._hands.random()
        forced = outcome != "not_inspected" and luck < self.shop.profile.printing.wash_reprint
        if not forced and not (outcome == "failed" and self._wash):
            yield from super().pass_on(panel, outcome)
            return
        if forced:
            self.shop.fault("wash_reprint", self.name, panel.code)
        self.depart(panel, REMOVED, outcome)
        self.held[panel.code] = panel
        panel.paste = []
        panel.low_pads = []
        self.shop.kernel.start(self.put_back(panel, self._printer, 300.0 + self._hands.uniform(0, 200)))

    def _say(self, panel: Panel, began: float, *, sampled_out: bool, boards: tuple[PasteBoard, ...]) -> None:
        self.shop.say(
            PasteInspected(
                self.name,
                self.shop.now,
                began,
                self.code,
                panel.part.number,
                panel.side.name,
                panel.side.program,
                panel.order.name,
                self._low,
                HIGH,
                sampled_out,
                self._every_pad,
                boards,
            ),
            panel.code,
        )

    def _tell_calls(self, panel: Panel, serial: str, calls: list[tuple[int, float]]) -> None:
        for pad, volume in calls:
            component, termination = panel.side.pads[pad]
            self.shop.tell(
                "call",
                (serial,),
                station=self.name,
                side=panel.side.name,
                **{"pass": panel.passes.get((self.name, panel.side.name), 0) + 1},
                at=self.shop.now,
                designator=component.designator,
                termination=termination,
                defect="insufficient_paste" if volume < LOW else "excess_paste",
                real=True,
            )


def _off(cause: PrintOffset, panel: Panel, index: int, component: Component) -> tuple[float, float]:
    """How far the print lies off a component, in um, seen from the printed side."""
    row, column = divmod(index, panel.part.columns)
    (width, height), (board_x, board_y) = panel.part.panel_mm, panel.part.board_mm
    left = 5.0 + column * board_x
    if panel.side.name == BOTTOM:
        left = width - left - board_x
    x = left + component.x - width / 2
    y = 5.0 + row * board_y + component.y - height / 2
    return cause.shift_x_um - cause.rotation_mrad * y, cause.shift_y_um + cause.rotation_mrad * x


class JetTopUp(Station):
    """JET. Adds dots to the pads that the inspection called low."""

    DOT_PERCENT = 8.0

    def __init__(self, shop: Shop, name: str, capacity: int) -> None:
        super().__init__(shop, name, capacity)
        self._causes = shop.chance("causes top-up")

    def change_over(self, panel: Panel) -> Step[None]:
        yield 60.0

    def work(self, panel: Panel) -> Step[str]:
        began = self.shop.now
        numbers = numbering(self.name, panel.part.number, panel.side.name, panel.turned)
        shots = []
        cause = self.shop.profile.causes.top_up
        for index, pad in panel.low_pads:
            if cause.left and self._causes.random() < cause.left:
                continue
            missing = 92.0 - panel.paste[index][pad]
            dots = max(1, round(missing / self.DOT_PERCENT))
            panel.paste[index][pad] += dots * self.DOT_PERCENT * self.chance.uniform(0.9, 1.1)
            component, termination = panel.side.pads[pad]
            if cause.works < 1.0 and self._causes.random() >= cause.works:
                joint = Defect(component.designator, termination, "insufficient_solder")
                panel.boards[index].defects.setdefault(component.designator, joint)
            shots.append((numbers[index], component.designator, termination, dots))
        yield 6.0 + 0.2 * sum(dots for *_, dots in shots)
        panel.low_pads = []
        if shots:
            panel.failed = GOOD
        self.shop.say(
            ToppedUp(self.name, self.shop.now, began, self.code, panel.side.program, tuple(sorted(shots))),
            panel.code,
        )
        return "processed"

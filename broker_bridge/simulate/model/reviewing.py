"""Review and rework: people judge the calls, minutes or hours later, and repair what they confirm.

Two desks, one bench. A repaired panel goes back to the optical inspection by hand if that still runs its
program; otherwise the person looks at it and lets it go.
"""

from collections import deque
from collections.abc import Callable

from broker_bridge.simulate.model.inspecting import Findings, OpticalInspection
from broker_bridge.simulate.model.kernel import Signal, Step
from broker_bridge.simulate.model.materials import Store
from broker_bridge.simulate.model.panels import Board, Defect, Panel
from broker_bridge.simulate.model.reading import Reader
from broker_bridge.simulate.model.records import INSERTED, REMOVED, Call, Reviewed, Reworked
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.visits import renew, tell_scrap, tell_visit, turn
from broker_bridge.simulate.positions import numbering
from broker_bridge.simulate.products import BY_NUMBER

DESKS = 2
MOST_INSPECTIONS = 3  # of one panel with one side up; then the bench decides
REPLACE = frozenset({"missing", "tombstone", "polarity", "open"})
OPERATORS = ("op-03", "op-07", "op-11", "op-19")  # pseudonyms

Action = tuple[int, str, str, str, str, str, str]


class Review:
    """REVIEW. Panels come with `send`; they leave through `finish`, or by hand into the inspection."""

    name = "REVIEW"

    def __init__(self, shop: Shop, store: Store, finish: Callable[[Panel], None]) -> None:
        self.shop = shop
        self.inspection: OpticalInspection | None = None
        self.waiting: list[Panel] = []  # in a magazine, on the way to a desk or to the bench
        self.here: list[Panel] = []  # on a desk or the bench, or held for the inspection
        self._desk_queue: deque[tuple[Panel, Findings]] = deque()
        self._bench_queue: deque[tuple[Panel, list[tuple[Board, str]]]] = deque()
        self._for_desk = Signal(shop.kernel)
        self._for_bench = Signal(shop.kernel)
        self._store = store
        self._finish = finish
        self._reader = Reader(shop, self.name)
        self._chance = shop.chance("review")

    def start(self) -> None:
        for desk in range(1, DESKS + 1):
            self.shop.kernel.start(self._desk(f"desk-{desk}", OPERATORS[desk - 1]))
        self.shop.kernel.start(self._bench(OPERATORS[2]))

    def send(self, panel: Panel, findings: Findings) -> None:
        """Take a panel from the unloader. One without calls goes straight on."""
        if not findings.calls:
            self._finish(panel)
            return
        self.waiting.append(panel)
        self.shop.kernel.start(self._carry(panel, findings))

    def _carry(self, panel: Panel, findings: Findings) -> Step[None]:
        process = self.shop.profile.process
        late = self._chance.random() < process.late_reviews
        mean = max(process.review_delay_s, 1.0)
        yield 20.0 + (
            self._chance.uniform(4.0, 12.0) * 3600.0 if late else self._chance.expovariate(1.0 / mean)
        )
        self._desk_queue.append((panel, findings))
        self._for_desk.fire()

    def _desk(self, place: str, operator: str) -> Step[None]:
        while True:
            while not self._desk_queue:
                yield self._for_desk
            panel, findings = self._desk_queue.popleft()
            # The calls come from the inspection's computer, which does not know that a panel lay turned.
            numbers = numbering(self.name, panel.part.number, panel.side.name, findings.turned)
            code = self._arrive(panel)
            began = self.shop.now
            yield 15.0
            verdicts = []
            repairs = []
            number = panel.passes.get((self.name, panel.side.name), 0) + 1
            for board, call in findings.calls:
                yield self._chance.uniform(4.0, 12.0)
                real = call.designator in board.defects
                judged = (self._chance.random() >= 0.02) if real else (self._chance.random() < 0.01)
                name = board.defects[call.designator].name if real and judged else call.defect
                verdicts.append((numbers[board.position - 1], call, judged, name if judged else ""))
                if judged:
                    repairs.append((board, call.designator))
                self._tell_verdict(panel, number, board, call, real, judged)
            self.shop.say(
                Reviewed(
                    self.name,
                    self.shop.now,
                    began,
                    code,
                    panel.side.program,
                    operator,
                    findings.at,
                    tuple(verdicts),
                ),
                panel.code,
            )
            self._depart(panel, place, "reviewed")
            if repairs:
                self.waiting.append(panel)
                self._bench_queue.append((panel, repairs))
                self._for_bench.fire()
            else:
                self._finish(panel)

    def _bench(self, operator: str) -> Step[None]:
        while True:
            while not self._bench_queue:
                yield self._for_bench
            panel, repairs = self._bench_queue.popleft()
            code = self._arrive(panel)
            began = self.shop.now
            actions: list[Action] = []
            scrapped: list[Board] = []
            for board, designator in repairs:
                yield self._chance.uniform(60.0, 240.0)
                actions.append(self.repair(board, designator, panel, board.position))
                if self._chance.random() < 0.01:
                    board.scrapped = True
                    scrapped.append(board)
            self.shop.say(
                Reworked(self.name, self.shop.now, began, code, operator, tuple(actions)), panel.code
            )
            self._depart(panel, "bench", "reworked")
            if scrapped:
                tell_scrap(self.shop, self.name, scrapped)
            yield from self._inspect_again(panel)

    def repair(self, board: Board, designator: str, panel: Panel, position: int) -> Action:
        """Repair one component and tell which part went in, if one did. A false alarm is touched up."""
        defect = board.defects.pop(designator, None) or Defect(designator, 0, "none found")
        if defect.name not in REPLACE:
            return (position, designator, defect.name, "resolder", "", "", "")
        component, side = next(
            (side.by_designator[designator], side)
            for side in BY_NUMBER[panel.part.number].sides
            if designator in side.by_designator
        )
        bag, lot = self._store.lot_on_bench(component.item)
        self.shop.tell(
            "material",
            (board.serial,),
            station=self.name,
            side=side.name,
            at=self.shop.now,
            designators=[designator],
            item=component.item,
            lot=lot,
            reel=bag,
            slot=None,
        )
        return (position, designator, defect.name, "replace", component.item, lot, bag)

    def _inspect_again(self, panel: Panel) -> Step[None]:
        inspection = self.inspection
        assert inspection is not None
        self.waiting.append(panel)
        yield 30.0
        self.waiting.remove(panel)
        seen = panel.passes.get((inspection.name, panel.side.name), 0)
        if seen >= MOST_INSPECTIONS or not inspection.accepts(panel):
            self._finish(panel)
            return
        renew(self.shop, inspection.name, panel)
        if self._chance.random() < self.shop.profile.handling.turned:
            turn(self.shop, inspection.name, panel)
        inspection.entrance.insert(panel)

    def _arrive(self, panel: Panel) -> str | None:
        self.waiting.remove(panel)
        self.here.append(panel)
        renew(self.shop, self.name, panel)
        code = None if panel.bare else self._reader.read(panel.code, panel.code)
        panel.passed_on = code or ""
        panel.arrived = self.shop.now
        self.shop.say(panel.transfer(self.name, self.shop.now, True, INSERTED), panel.code)
        return code

    def _depart(self, panel: Panel, place: str, outcome: str) -> None:
        self.here.remove(panel)
        self.shop.say(panel.transfer(self.name, self.shop.now, False, REMOVED), panel.code)
        tell_visit(self.shop, self.name, place, panel, outcome)

    def _tell_verdict(
        self, panel: Panel, number: int, board: Board, call: Call, real: bool, judged: bool
    ) -> None:
        self.shop.tell(
            "review",
            (board.serial,),
            station=self.name,
            side=panel.side.name,
            **{"pass": number},
            at=self.shop.now,
            designator=call.designator,
            termination=call.termination,
            defect=call.defect,
            real=real,
            verdict="defect" if judged else "false_call",
        )

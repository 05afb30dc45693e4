"""Electrical test, board by board, after the panel is cut apart: nests, attempts, retests, repair, scrap."""

from collections import deque
from collections.abc import Callable

from broker_bridge.simulate.model.defects import TEST_DETECTION
from broker_bridge.simulate.model.kernel import Signal, Step
from broker_bridge.simulate.model.panels import Board, Panel
from broker_bridge.simulate.model.reading import Reader
from broker_bridge.simulate.model.records import (
    FAILED,
    GOOD,
    INSERTED,
    REMOVED,
    Measure,
    Reworked,
    Tested,
    Transfer,
)
from broker_bridge.simulate.model.reviewing import OPERATORS, Review
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.visits import tell_board, tell_scrap
from broker_bridge.simulate.stations import LANE

NESTS = 8
FIXTURES = ("FX-1", "FX-2")  # four nests each
MOST_ATTEMPTS = 4

MEASURES: dict[str, tuple[tuple[str, str, float, float], ...]] = {
    "HW-1040": (
        ("supply_current", "mA", 18.0, 26.0),
        ("rail_3v3", "V", 3.234, 3.366),
        ("lamp_current", "mA", 335.0, 365.0),
        ("radio_level", "dBm", 8.5, 11.5),
        ("clock_error", "ppm", -20.0, 20.0),
    ),
    "HW-2060": (
        ("supply_current", "mA", 4.0, 7.0),
        ("rail_1v8", "V", 1.764, 1.836),
        ("pressure_zero", "hPa", -1.5, 1.5),
        ("led_current", "mA", 3.5, 4.5),
    ),
}


class ElectricalTest:
    """TEST. `send` cuts a panel apart; `on_done` is called when all boards of it are through."""

    name = "TEST"

    def __init__(self, shop: Shop, review: Review, on_done: Callable[[Panel], None]) -> None:
        self.shop = shop
        self.panels: list[Panel] = []  # with boards not yet through
        self._review = review
        self._on_done = on_done
        self._queue: deque[tuple[Panel, Board]] = deque()
        self._filled = Signal(shop.kernel)
        self._broken: deque[tuple[Panel, Board]] = deque()
        self._for_bench = Signal(shop.kernel)
        self._open: dict[str, int] = {}  # panel -> boards not yet through
        self._reader = Reader(shop, self.name)
        self._bench_reader = Reader(shop, review.name)
        self._chance = shop.chance("test")
        self._retests = shop.chance("retest")

    def start(self) -> None:
        for nest in range(NESTS):
            self.shop.kernel.start(self._nest(nest))
        self.shop.kernel.start(self._bench())

    def send(self, panel: Panel) -> None:
        boards = [board for board in panel.boards if not board.skipped and not board.scrapped]
        if not boards:
            self._on_done(panel)
            return
        self.panels.append(panel)
        self._open[panel.code] = len(boards)
        self._queue.extend((panel, board) for board in boards)
        self._filled.fire()

    def _nest(self, nest: int) -> Step[None]:
        fixture = FIXTURES[nest * len(FIXTURES) // NESTS]
        place = f"{fixture}/{nest % (NESTS // len(FIXTURES)) + 1}"
        while True:
            while not self._queue:
                yield self._filled
            panel, board = self._queue.popleft()
            passed = yield from self._attempt(panel, board, place)
            if not passed and board.attempts == 1:
                passed = yield from self._attempt(panel, board, place)
            if passed or board.attempts >= MOST_ATTEMPTS:
                self._through(panel)
            else:
                self.shop.kernel.start(self._carry(panel, board))

    def _attempt(self, panel: Panel, board: Board, place: str) -> Step[bool]:
        board.attempts += 1
        code = self._reader.read(board.serial, panel.code)
        transfer_id = self._introduce(self.name, panel, board)
        arrived = self.shop.now
        self._say_transfer(self.name, panel, transfer_id, code, 0, arrived=True)
        bad_contact = self._retests.random() < self.shop.profile.testing.retest and board.attempts == 1
        found = any(self._chance.random() < TEST_DETECTION[d.name] for d in board.defects.values())
        if bad_contact and not found:
            self.shop.fault("retest", self.name, panel.code, board=board.serial)
        passed = not found and not bad_contact
        yield 26.0 + self._chance.uniform(0.0, 6.0)
        began = arrived + 3.0
        measures = self._measure(panel.part.number, passed)
        fixture = place.partition("/")[0]
        self.shop.say(
            Tested(
                self.name,
                self.shop.now,
                began,
                code,
                panel.part.number,
                panel.order.name,
                place,
                board.attempts,
                passed,
                measures,
            ),
            panel.code,
        )
        yield 2.0
        self._say_transfer(self.name, panel, transfer_id, code, GOOD if passed else FAILED, arrived=False)
        self._tell_visit(
            self.name,
            place,
            panel,
            board,
            arrived,
            board.attempts,
            "passed" if passed else "failed",
            attempt=board.attempts,
            fixture=fixture,
        )
        if not passed and board.attempts >= MOST_ATTEMPTS:
            board.scrapped = True
            tell_scrap(self.shop, self.name, [board])
        yield 3.0
        return passed

    def _carry(self, panel: Panel, board: Board) -> Step[None]:
        yield self._chance.uniform(600.0, 3600.0)
        self._broken.append((panel, board))
        self._for_bench.fire()

    def _bench(self) -> Step[None]:
        """Failing boards are repaired one by one, alone, and come back for another attempt."""
        while True:
            while not self._broken:
                yield self._for_bench
            panel, board = self._broken.popleft()
            yield from self._repair(panel, board)
            self._queue.append((panel, board))
            self._filled.fire()

    def _repair(self, panel: Panel, board: Board) -> Step[None]:
        bench = self._review.name
        code = self._bench_reader.read(board.serial, panel.code)
        arrived = self.shop.now
        transfer_id = self._introduce(bench, panel, board)
        self._say_transfer(bench, panel, transfer_id, code, FAILED, arrived=True)
        yield self._chance.uniform(120.0, 400.0)
        actions = tuple(self._review.repair(board, name, panel, 0) for name in sorted(board.defects))
        if actions:
            self.shop.say(Reworked(bench, self.shop.now, arrived, code, OPERATORS[3], actions), panel.code)
        self._say_transfer(bench, panel, transfer_id, code, 0, arrived=False)
        board.repairs += 1
        number = panel.passes.get((bench, panel.side.name), 0) + board.repairs
        self._tell_visit(bench, "bench-2", panel, board, arrived, number, "reworked")

    def _introduce(self, station: str, panel: Panel, board: Board) -> str:
        """A new transfer id for a board alone."""
        transfer_id = self.shop.new_transfer_id(station)
        board.identifiers.append({"kind": "transfer_id", "value": transfer_id})
        tell_board(self.shop, panel, board)
        return transfer_id

    def _through(self, panel: Panel) -> None:
        self._open[panel.code] -= 1
        if not self._open[panel.code]:
            del self._open[panel.code]
            self.panels.remove(panel)
            self._on_done(panel)

    def _measure(self, part: str, passed: bool) -> tuple[Measure, ...]:
        """Values inside the limits, at about a sixth of their width in standard deviation; one outside if it failed."""
        table = MEASURES[part]
        outside = -1 if passed else self._chance.randrange(len(table))
        measures = []
        for index, (name, unit, low, high) in enumerate(table):
            width = high - low
            value = min(high, max(low, self._chance.gauss((low + high) / 2, width / 7)))
            if index == outside:
                value = high + width * self._chance.uniform(0.1, 2.0)
            measures.append(Measure(name, unit, low, round(value, 4), high))
        return tuple(measures)

    def _say_transfer(
        self, station: str, panel: Panel, transfer_id: str, code: str | None, failed: int, *, arrived: bool
    ) -> None:
        self.shop.say(
            Transfer(
                station,
                self.shop.now,
                arrived,
                INSERTED if arrived else REMOVED,
                transfer_id,
                station,
                failed,
                panel.part.number,
                panel.side.name,
                code or "",
                panel.order.name,
                panel.order.batch,
                panel.part.board_mm,
                (),
                "",
                0,
            ),
            panel.code,
        )

    def _tell_visit(
        self,
        station: str,
        place: str,
        panel: Panel,
        board: Board,
        arrived: float,
        number: int,
        outcome: str,
        **more: object,
    ) -> None:
        self.shop.tell(
            "visit",
            (board.serial,),
            station=station,
            place=place,
            lane=LANE,
            side=panel.side.name,
            **{"pass": number},
            arrived=arrived,
            departed=self.shop.now,
            outcome=outcome,
            **more,
        )

"""The start of the line: work orders, bare panels, marking, and the second side."""

from dataclasses import replace
from random import Random

from broker_bridge.simulate.model.kernel import Step
from broker_bridge.simulate.model.panels import Board, Order, Panel
from broker_bridge.simulate.model.records import LOADED, TRANSFERRED, Marked
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.model.visits import renew, turn
from broker_bridge.simulate.products import PARTS, Side

Run = tuple[Order, Side]


def plan(boards: int, chance: Random, split: float = 0.0, splits: Random | None = None) -> list[Run]:
    """Work orders for at least `boards` boards, as runs in order.

    Orders of the two part numbers alternate. Both orders of a pair get their first side before either gets its
    second, so that a bench has time for what the first side needs. A share `split` of them, drawn from `splits`, is split:
    the second half of the panels runs as an order of its own.
    """
    orders: list[Order] = []
    left = boards
    while left > 0:
        part = PARTS[len(orders) % len(PARTS)]
        panels = min(chance.randint(20, 60), -(-left // part.positions))
        if len(orders) == 0 and boards >= 2 * part.positions:
            panels = min(panels, -(-boards // (2 * part.positions)))  # a short run still has a changeover
        number = len(orders) + 1
        orders.append(Order(f"WO-{2600 + number}", f"{number:03d}-A", part, panels))
        left -= panels * part.positions
    runs: list[Run] = []
    for first in range(0, len(orders), 2):
        pair = [
            half for order in orders[first : first + 2] for half in _halves(order, split, splits or chance)
        ]
        for side in (0, 1):
            runs += [(order, order.part.sides[side]) for order in pair]
    return runs


def _halves(order: Order, split: float, splits: Random) -> list[Order]:
    if order.panels < 2 or not split or splits.random() >= split:
        return [order]
    half = order.panels // 2
    rest = Order(
        f"{order.name}-2", f"{order.batch[:-1]}B", order.part, order.panels - half, split_from=order.name
    )
    return [replace(order, panels=half, ready=[]), rest]


class Loader(Station):
    """LOAD. Takes panels from a magazine; engraves the panel's code and one on each board that is not crossed out."""

    def __init__(self, shop: Shop, name: str, runs: list[Run]) -> None:
        super().__init__(shop, name, 0)
        self._runs = runs
        self._panels = 0
        self._labels = shop.chance("late labels")
        self._serials = 0

    def run(self) -> Step[None]:
        for order, side in self._runs:
            self.setup = side.setup
            if order.split_from and side is order.part.sides[0]:
                self.shop.fault("order_split", self.name, work_order=order.name, split_from=order.split_from)
            yield 60.0
            if side is order.part.sides[0]:
                for _ in range(order.panels):
                    yield from self._load(self._bare_panel(order, side), first=True)
                continue
            done = 0
            while done + order.gone < order.panels:
                if not order.ready:
                    yield self.shop.orders_changed
                    continue
                yield from self._load(order.ready.pop(0), first=False)
                done += 1

    def _load(self, panel: Panel, *, first: bool) -> Step[None]:
        renew(self.shop, self.name, panel)
        if self._hands.random() < self.shop.profile.handling.turned:
            turn(self.shop, self.name, panel)
        self.arrive(panel, LOADED)
        yield 8.0
        boards: tuple[tuple[int, str | None], ...] = ()
        late = panel.bare and not first
        panel.bare = panel.bare and first
        marks = late or (first and not panel.bare)
        if marks:
            yield 2.0 * len(panel.populated)
            boards = tuple((b.position, None if b.skipped else b.serial) for b in panel.boards)
            panel.passed_on = panel.code
            panel.knows_boards = True
        self.shop.say(
            Marked(
                self.name,
                self.shop.now,
                panel.code if marks else self.code,
                panel.part.number,
                panel.part.revision,
                panel.side.name,
                panel.order.name,
                panel.order.batch,
                panel.magazine,
                panel.slot,
                boards,
            ),
            panel.code,
        )
        yield from self._hand_over(panel)

    def _hand_over(self, panel: Panel) -> Step[None]:
        assert self.following is not None
        yield from self.following.entrance.wait_for_room()
        self.depart(panel, TRANSFERRED, "processed")
        self.following.entrance.offer(panel)

    def _bare_panel(self, order: Order, side: Side) -> Panel:
        self._panels += 1
        code = f"HP{3000000 + self._panels}"
        boards = []
        for position in range(1, order.part.positions + 1):
            self._serials += 1
            serial = f"HB{50000000 + self._serials}"
            skipped = self.chance.random() < self.shop.profile.handling.skipped_positions
            if skipped:
                self.shop.fault("skipped_position", self.name, code, position=position)
            board = Board(serial, position, skipped, "skipped" if skipped else "production")
            if not skipped:
                board.identifiers.append({"kind": "serial", "value": serial})
            board.identifiers.append({"kind": "panel_barcode", "value": code})
            boards.append(board)
        panel = Panel(code, order.part, order, boards, side)
        if self._labels.random() < self.shop.profile.barcode.late_label:
            panel.bare = True
            self.shop.fault("late_label", self.name, code)
        magazine, slot = divmod(self._panels - 1, 25)
        panel.magazine, panel.slot = f"BARE-{magazine + 1:03d}", slot + 1
        self.shop.census.introduced += 1
        return panel

"""The whole line: the stations, joined, and the run from the first bare panel to the last tested board."""

from collections.abc import Iterator

from broker_bridge.simulate.model.inspecting import OpticalInspection
from broker_bridge.simulate.model.loading import Loader, plan
from broker_bridge.simulate.model.materials import Store
from broker_bridge.simulate.model.panels import Panel
from broker_bridge.simulate.model.placing import Placement
from broker_bridge.simulate.model.printing import JetTopUp, PasteInspection, Printer
from broker_bridge.simulate.model.records import Utterance
from broker_bridge.simulate.model.reflow import Oven
from broker_bridge.simulate.model.reviewing import Review
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.station import Station
from broker_bridge.simulate.model.testing import ElectricalTest
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Profile

BUFFER = 2  # panels on a conveyor between two stations
OVEN_BUFFER = 20  # behind the oven: everything inside must find room


class Line:
    """The model. Pure: the same seed, boards and profile give the same run. `every_pad` changes what is said, not what happens.

    `run` yields what is said and what is true, in order of time, until every board is through.
    """

    def __init__(self, seed: int, boards: int, profile: Profile, *, every_pad: bool = False) -> None:
        self.shop = shop = Shop(seed, profile)
        store = Store(shop, shop.chance("store"))
        self.review = Review(shop, store, self._finish_side)
        self.test = ElectricalTest(shop, self.review, self._finish)
        runs = plan(boards, shop.chance("plan"), profile.orders.split, shop.chance("order splits"))
        self.orders = list({id(order): order for order, _ in runs}.values())
        self.loader = Loader(shop, "LOAD", runs)
        printer = Printer(shop, "PRINT", BUFFER)
        self.oven = Oven(shop, "OVEN", BUFFER)
        inspection = OpticalInspection(shop, "AOI", OVEN_BUFFER, self.review.send)
        self.review.inspection = inspection
        self.stations: tuple[Station, ...] = (
            self.loader,
            printer,
            PasteInspection(shop, "SPI", BUFFER, printer, every_pad=every_pad),
            JetTopUp(shop, "JET", BUFFER),
            Placement(shop, "PLACE1", BUFFER, store, 0.15),
            Placement(shop, "PLACE2", BUFFER, store, 0.55),
            self.oven,
            inspection,
        )
        for station, following in zip(self.stations, self.stations[1:], strict=False):
            station.following = following

    def run(self) -> Iterator[Utterance | Truth]:
        kernel, output = self.shop.kernel, self.shop.output
        for station in self.stations:
            kernel.start(station.run())
        kernel.start(self.oven.read_zones())
        self.review.start()
        self.test.start()
        while kernel.step():
            while output:
                yield output.popleft()

    def in_process(self) -> int:
        """Panels now in the plant, counted where they lie."""
        lying = sum(
            len(station.entrance.conveyor)
            + (station.entrance.hand is not None)
            + (station.place is not None and station.place.order in self.orders)
            + len(station.held)
            for station in self.stations
        )
        racks = sum(len(order.ready) for order in self.orders)
        review = len(self.review.waiting) + len(self.review.here)
        return lying + len(self.oven.inside) + racks + review + len(self.test.panels)

    def _finish_side(self, panel: Panel) -> None:
        """One side is through: on to the second, or to the test."""
        first, second = panel.part.sides
        if panel.side is first:
            panel.side = second
            panel.order.ready.append(panel)
            self.shop.orders_changed.fire()
        else:
            self.test.send(panel)

    def _finish(self, panel: Panel) -> None:
        self.shop.census.finished += 1

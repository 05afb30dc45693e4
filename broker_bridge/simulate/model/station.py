"""What all stations of the line have in common: an entrance, one place to work, and a way on.

A panel waits in the entrance, is worked on in the one place, and stays there (blocking the station) until the
next entrance has room. A hand may take it out afterwards and put it back into a place kept for that.
"""

from broker_bridge.simulate.model.kernel import Signal, Step
from broker_bridge.simulate.model.panels import Panel
from broker_bridge.simulate.model.reading import Reader
from broker_bridge.simulate.model.records import INSERTED, REMOVED, TRANSFERRED
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.model.visits import give_up, renew, tell_visit, turn
from broker_bridge.simulate.stations import READERS

TRAVEL_S = 4.0  # from one station to the next


class Entrance:
    """A conveyor of `capacity` panels, first in first out, and one place where a hand puts a panel in."""

    def __init__(self, shop: Shop, capacity: int) -> None:
        self._kernel = shop.kernel
        self.capacity = capacity
        self.conveyor: list[tuple[Panel, float]] = []  # with the time at which it reaches the far end
        self.hand: Panel | None = None
        self.arrivals = Signal(shop.kernel)
        self.room = Signal(shop.kernel)

    def wait_for_room(self) -> Step[None]:
        while len(self.conveyor) >= self.capacity:
            yield self.room

    def offer(self, panel: Panel) -> None:
        """Put a panel on the conveyor; only after `wait_for_room`, in the same instant."""
        if len(self.conveyor) >= self.capacity:
            raise RuntimeError(f"conveyor of {self.capacity} is full: a panel would be on top of another")
        self.conveyor.append((panel, self._kernel.now + TRAVEL_S))
        self.arrivals.fire()

    def insert(self, panel: Panel) -> None:
        """Put a panel in by hand; the place must be free."""
        if self.hand is not None:
            raise RuntimeError(f"panel {self.hand.code} already lies where {panel.code} is put in")
        self.hand = panel
        self.arrivals.fire()

    def peek(self) -> Step[Panel]:
        """Wait for the next panel and return it, still in the entrance. The hand's panel goes first."""
        while True:
            if self.hand is not None:
                return self.hand
            if self.conveyor:
                panel, reaches = self.conveyor[0]
                if reaches <= self._kernel.now:
                    return panel
                yield reaches - self._kernel.now
            else:
                yield self.arrivals

    def pull(self, panel: Panel) -> bool:
        """Take the panel last peeked at. True if a hand had put it in."""
        by_hand = self.hand is panel
        if by_hand:
            self.hand = None
        else:
            self.conveyor.pop(0)
        self.room.fire()
        return by_hand


class Station:
    """One machine of the line. A subclass says what it does: `change_over` and `work`."""

    reach: tuple[float, float] = (0.0, 0.0)  # mean seconds between stops and of a stop; 0 never stops

    def __init__(self, shop: Shop, name: str, capacity: int) -> None:
        self.shop = shop
        self.name = name
        self.entrance = Entrance(shop, capacity)
        self.following: Station | None = None
        self.setup = ""
        self.place: Panel | None = None
        self.code: str | None = None  # of the panel in the place, as read here or else passed on
        self.failing: set[str] = set()  # serials that the visit at hand finds faulty
        self.held: dict[str, Panel] = {}  # taken out by hand here, to be put back
        self.reader = Reader(shop, name) if name in READERS else None
        self.chance = shop.chance(f"station {name}")
        self._hands = shop.chance(f"hands {name}")
        self._worked = 0  # panels

    def run(self) -> Step[None]:
        while True:
            panel = yield from self.entrance.peek()
            yield from self.prepare(panel)
            by_hand = self.entrance.pull(panel)
            self.arrive(panel, INSERTED if by_hand else TRANSFERRED)
            outcome = yield from self._slowly(self.work(panel))
            yield from self.stop_now_and_then()
            yield from self._stand_still(panel)
            yield from self.pass_on(panel, outcome)

    def prepare(self, panel: Panel) -> Step[None]:
        """Change over if the panel asks for it. The setup counts as new from the start, so that no hand puts in an old one."""
        if panel.setup != self.setup:
            self.setup = panel.setup
            yield from self.change_over(panel)

    def change_over(self, panel: Panel) -> Step[None]:
        yield 60.0

    def work(self, panel: Panel) -> Step[str]:
        """Do the work and return the outcome of the visit."""
        raise NotImplementedError

    def accepts(self, panel: Panel) -> bool:
        """Whether a hand may put this panel in now."""
        return self.setup == panel.setup and self.entrance.hand is None

    def arrive(self, panel: Panel, how: int) -> None:
        if self.place is not None:
            raise RuntimeError(f"{self.name} holds {self.place.code}; {panel.code} has no place")
        self.place = panel
        self.failing = set()
        panel.arrived = self.shop.now
        if panel.bare:
            self.code = None
        elif self.reader is not None:
            self.code = self.reader.read(panel.code, panel.code)
            panel.passed_on = panel.passed_on or self.code or ""
        else:
            self.code = panel.passed_on or None
        self.shop.say(panel.transfer(self.name, self.shop.now, True, how), panel.code)

    def depart(self, panel: Panel, how: int, outcome: str) -> None:
        self.place = None
        self.shop.say(panel.transfer(self.name, self.shop.now, False, how), panel.code)
        normal = "passed" if outcome == "failed" else outcome
        tell_visit(self.shop, self.name, "1", panel, normal, self.failing)

    def stop_now_and_then(self) -> Step[None]:
        """Jam, with the panel inside. The luck is drawn in any case, so that a profile without stops changes nothing else."""
        between, lasts = self.reach
        if not between:
            return
        luck, length = self.chance.random(), self.chance.expovariate(1.0)
        if self.shop.profile.process.stops and luck < 40.0 / between:
            began = self.shop.now
            yield 20.0 + lasts * length
            self.say_stop(began)

    def _slowly(self, work: Step[str]) -> Step[str]:
        """The work, begun with as many seconds more as the profile has for this station."""
        cause = self.shop.profile.causes.slow
        if cause.station == self.name and cause.seconds:
            first = next(work)  # every work takes some time
            yield first + cause.seconds if isinstance(first, int | float) else first
        return (yield from work)

    def _stand_still(self, panel: Panel) -> Step[None]:
        """What the profile has of a station that is down now and then."""
        cause = self.shop.profile.causes.down
        if cause.station != self.name or not cause.every:
            return
        self._worked += 1
        if self._worked % cause.every == 0:
            began = self.shop.now
            self.shop.fault("station_down", self.name, panel.code, seconds=cause.seconds)
            yield cause.seconds
            self.say_stop(began)

    def say_stop(self, began: float) -> None:
        """A dialect that knows stops says so."""

    def pass_on(self, panel: Panel, outcome: str) -> Step[None]:
        """Hand the panel to the following station, unless a hand takes it out."""
        assert self.following is not None
        if self._hands.random() < self.shop.profile.handling.removed:
            self.depart(panel, REMOVED, outcome)
            self.held[panel.code] = panel
            target = self._target_of_the_hand()
            self.shop.fault("removed_by_hand", self.name, panel.code, put_in_at=target.name)
            self.shop.kernel.start(self.put_back(panel, target, 60.0 + self._hands.expovariate(1 / 240.0)))
            return
        yield from self.following.entrance.wait_for_room()
        self.depart(panel, TRANSFERRED, outcome)
        self.following.entrance.offer(panel)

    def _target_of_the_hand(self) -> "Station":
        """Where the panel is put back: the following station, or one further if that only inspects or tops up."""
        following = self.following
        assert following is not None
        if following.name in ("SPI", "JET") and self._hands.random() < 0.3:
            assert following.following is not None
            return following.following
        return following

    def put_back(self, panel: Panel, target: "Station", after: float) -> Step[None]:
        """Put a panel that lies on the bench here into `target` by hand, or give it up if the run is over."""
        yield after
        while target.setup == panel.setup and target.entrance.hand is not None:
            yield target.entrance.room
        del self.held[panel.code]
        if target.setup != panel.setup:
            give_up(self.shop, self.name, panel)
            return
        renew(self.shop, target.name, panel)
        if self._hands.random() < self.shop.profile.handling.turned:
            turn(self.shop, target.name, panel)
        target.entrance.insert(panel)

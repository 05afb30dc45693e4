"""The shop floor: what every station shares. Its clock, its luck, its voice, and the truth."""

import uuid
from collections import deque
from dataclasses import dataclass
from random import Random

from broker_bridge.simulate.model.kernel import Kernel, Signal
from broker_bridge.simulate.model.records import Record, Utterance
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Profile


@dataclass(slots=True)
class Census:
    """Panels counted where they enter and leave the plant: introduced = finished + removed + in process."""

    introduced: int = 0
    finished: int = 0
    removed: int = 0


class Shop:
    """`output` collects what is said and what is true, in order of time; the line drains it after each step."""

    def __init__(self, seed: int, profile: Profile) -> None:
        self.kernel = Kernel()
        self.profile = profile
        self.output: deque[Utterance | Truth] = deque()
        self.census = Census()
        self.orders_changed = Signal(self.kernel)  # a panel became ready for its second side, or was given up
        self._seed = seed
        self._ids: dict[str, Random] = {}

    @property
    def now(self) -> float:
        return self.kernel.now

    def chance(self, name: str) -> Random:
        """A source of luck of its own for each purpose, so that one fault more leaves all other luck as it was."""
        return Random(f"{self._seed}/{name}")

    def new_transfer_id(self, station: str) -> str:
        """The next id that `station` makes up for a board nobody has named to it."""
        if station not in self._ids:
            self._ids[station] = self.chance(f"transfer ids {station}")
        return str(uuid.UUID(int=self._ids[station].getrandbits(128), version=4))

    def say(self, record: Record, panel: str | None = None) -> None:
        """Let a machine say something; `panel` is the true panel it is about, if any."""
        self.output.append(Utterance(record, panel))

    def tell(self, kind: str, boards: tuple[str, ...], **fields: object) -> None:
        self.output.append(Truth(self.kernel.now, kind, boards, fields))

    def fault(self, what: str, where: str, panel: str | None = None, **detail: object) -> None:
        """Write an injected fault to the truth."""
        self.tell("fault", (), what=what, where=where, when=self.kernel.now, panel=panel, **detail)

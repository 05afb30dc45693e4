"""Panels and boards: what they are, what they carry, where they have been."""

from dataclasses import dataclass, field

from broker_bridge.simulate.model.records import GOOD, SKIP, UNKNOWN, Transfer
from broker_bridge.simulate.products import Part, Side


@dataclass(slots=True)
class Defect:
    """A real defect on a board, until it is repaired. `termination` 0 is the body."""

    designator: str
    termination: int
    name: str


@dataclass(slots=True)
class Board:
    """One board of a panel. `serial` is engraved unless the position is crossed out (`skipped`)."""

    serial: str
    position: int
    skipped: bool
    purpose: str
    identifiers: list[dict[str, str]] = field(default_factory=list)
    defects: dict[str, Defect] = field(default_factory=dict)  # by designator
    scrapped: bool = False
    attempts: int = 0  # electrical tests so far
    repairs: int = 0  # alone, after a failed test


@dataclass(slots=True)
class Order:
    """A work order of `panels` panels of one part. `gone` were taken out for good before their second side."""

    name: str
    batch: str
    part: Part
    panels: int
    gone: int = 0
    split_from: str = ""  # the order it was split off
    ready: list["Panel"] = field(default_factory=list)  # first side done, waiting for the second


@dataclass(slots=True)
class Panel:
    """A panel and everything true about it now."""

    code: str
    part: Part
    order: Order
    boards: list[Board]
    side: Side
    transfer_id: str = ""
    created_by: str = ""
    passed_on: str = ""  # the code that travels with the transfer data
    knows_boards: bool = False  # the codes of the boards travel as well
    failed: int = UNKNOWN
    turned: bool = False
    bare: bool = False  # no code on it yet: the label comes before the second side
    magazine: str = ""
    slot: int = 0
    arrived: float = 0.0
    passes: dict[tuple[str, str], int] = field(default_factory=dict)  # (station, side) -> visits so far
    paste: list[list[float]] = field(default_factory=list)  # percent, per board and pad; one print
    low_pads: list[tuple[int, int]] = field(default_factory=list)  # (board index, pad index) to top up

    @property
    def setup(self) -> str:
        return self.side.setup

    @property
    def populated(self) -> list[Board]:
        return [board for board in self.boards if not board.skipped]

    @property
    def serials(self) -> tuple[str, ...]:
        """The boards that a visit of this panel is true of: all of them, crossed out or not."""
        return tuple(board.serial for board in self.boards)

    def count_visit(self, station: str) -> int:
        """Count one more visit at `station` with this side up and return its number, from 1."""
        key = (station, self.side.name)
        self.passes[key] = self.passes.get(key, 0) + 1
        return self.passes[key]

    def transfer(self, station: str, at: float, arrived: bool, how: int) -> Transfer:
        """What the vertical channel of `station` says about this panel now."""
        sub_boards: tuple[tuple[int, str, int], ...] = ()
        if self.knows_boards:
            sub_boards = tuple(
                (b.position, "" if b.skipped else b.serial, SKIP if b.skipped else GOOD if self.failed == GOOD else UNKNOWN)
                for b in self.boards
            )  # fmt: skip
        return Transfer(
            station,
            at,
            arrived,
            how,
            self.transfer_id,
            self.created_by,
            self.failed,
            self.part.number,
            self.side.name,
            self.passed_on,
            self.order.name,
            self.order.batch,
            self.part.panel_mm,
            sub_boards,
            self.magazine,
            self.slot,
        )

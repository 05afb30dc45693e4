"""Boards: where they come from, where they are, what they are called, what was decided about them."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from broker_bridge.events.base import (
    Attachment,
    Board,
    Data,
    Finite,
    Identifier,
    Lane,
    LongText,
    Material,
    Model,
    Name,
    Outcome,
    Text,
    Time,
)  # fmt: skip
from broker_bridge.events.ids import PATTERN

Word = Literal["good", "failed", "unknown"]
"""What one machine tells the next about a board (FailedBoard of IPC-HERMES-9852)."""
TransferState = Literal["not_started", "incomplete", "complete"]


class _BoardData(Data):
    STATUS: ClassVar[Literal["final", "draft"]] = "final"


class Handling(Model):
    """What a machine told the next about moving and treating a board (IPC-HERMES-9852 names in brackets)."""

    route: Annotated[int, Field(ge=0, lt=2**16)] | None = None
    """[Route] 1 to 99 a route of the line, 900 to be returned, 999 to be taken out by hand."""
    action: Annotated[int, Field(ge=0, lt=2**16)] | None = None
    """[Action] 1 process, 2 pass through."""
    length_mm: Finite | None = None
    width_mm: Finite | None = None
    thickness_mm: Finite | None = None
    weight_g: Finite | None = None
    clearance_top_mm: Finite | None = None
    clearance_bottom_mm: Finite | None = None
    conveyor_speed_mm_s: Finite | None = None


class BoardIntroduced(_BoardData):
    """A board or panel entered the record for the first time here: loaded as bare board, marked, labelled."""

    TYPE = "board.introduced"
    magazine: Text | None = None
    slot: Text | None = None
    material: Material | None = None
    """The bare board as material: its maker, lot and date code."""


class BoardIdentified(_BoardData):
    """Identifiers were found to belong together: two names of one thing, or a board and its panel."""

    TYPE = "board.identified"
    act: Literal["read", "applied", "replaced"] | None = None
    """Identifiers were read, newly applied, or applied over (instead of) `previous`."""
    previous: tuple[Identifier, ...] = ()
    """Identifiers of the same thing that no longer hold."""


class BoardArrived(_BoardData):
    """A board came into a station."""

    TYPE = "board.arrived"
    how: Literal["transferred", "loaded", "inserted", "unknown"]
    """From the neighbour; from a magazine or stack; by hand."""
    outcome: Word | None = None
    """What the station was told about the board."""
    magazine: Text | None = None
    slot: Text | None = None
    interface: Text | None = None
    """The transport interface, where a lane has several."""
    handling: Handling | None = None


class BoardDeparted(_BoardData):
    """A board left a station."""

    TYPE = "board.departed"
    how: Literal["transferred", "unloaded", "removed", "unknown"]
    """To the neighbour; into a magazine or stack; by hand."""
    outcome: Word | None = None
    """What the station told its neighbour about the board."""
    magazine: Text | None = None
    slot: Text | None = None
    interface: Text | None = None
    """The transport interface, where a lane has several."""
    handling: Handling | None = None


class BoardTransferred(_BoardData):
    """A hand-over of which both ends were seen. Certain only when both ends say complete."""

    TYPE = "board.transferred"
    to_station: Name
    to_lane: Lane | None = None
    to_equipment: Text | None = None
    started: Time | None = None
    outcome: Word | None = None
    """What the giver told the taker about the board."""
    giver: TransferState | None = None
    """How the transfer ended as the giver states it. Absent: it did not say, for instance the line broke."""
    taker: TransferState | None = None
    """How it ended as the taker states it."""
    handling: Handling | None = None


class BoardDepaneled(_BoardData):
    """A panel was cut: `boards` names what came out of it, `panel` of each names the panel."""

    TYPE = "board.depaneled"


class BoardJoined(_BoardData):
    """A board became part of an assembly, or a foreign board was put into a panel position."""

    TYPE = "board.joined"
    parent: Board
    location: Text | None = None


class BoardSeparated(_BoardData):
    """A board was taken out of an assembly or panel."""

    TYPE = "board.separated"
    parent: Board
    location: Text | None = None


class Slotted(Model):
    """A board in a slot of a magazine."""

    slot: Text
    board: Board


class BoardMagazineHandled(_BoardData):
    """Something was done to a magazine as a whole. Its contents are proven only between sealed and opened."""

    TYPE = "board.magazine_handled"
    STATUS = "draft"
    magazine: Text
    act: Literal["arrived", "departed", "sealed", "opened", "turned"]
    contents: tuple[Slotted, ...] | None = None
    """What is in it as stated. Absent: not stated; empty: stated to be empty."""


class BoardHeld(_BoardData):
    """A hold was placed: a status, not a disposition."""

    TYPE = "board.held"
    reason: LongText
    hold: Text | None = None
    """The plant's own number of the hold."""


class BoardReleased(_BoardData):
    """A hold was lifted by the plant's procedure."""

    TYPE = "board.released"
    reason: LongText
    hold: Text | None = None


class BoardDispositioned(_BoardData):
    """What the plant decided about a nonconforming board."""

    TYPE = "board.dispositioned"
    disposition: Literal["use_as_is", "rework", "repair", "scrap", "return"]
    reason: LongText | None = None


class BoardShipped(_BoardData):
    """A board left the plant."""

    TYPE = "board.shipped"
    destination: Text | None = None
    delivery: Text | None = None


class Reference(Model):
    """Another event."""

    source: Text
    """Its CloudEvents source."""
    id: Annotated[str, Field(pattern=rf"^{PATTERN}$")]


class BoardAsserted(_BoardData):
    """A person's statement about boards: evidence like any other, and revocable."""

    TYPE = "board.asserted"
    claim: Literal[
        "same", "not_same", "part_of", "not_part_of", "visited", "not_visited", "note", "revoked",
        "held", "released", "outcome",
    ]  # fmt: skip
    """`same`: all of `boards` are one thing. `visited`: they were at `station`, at `happened`. `held`, `released`: a hold
    was placed or lifted by the plant's procedure. `outcome`: the inspection or test in `corrects` came out as `outcome`.
    `revoked`: the assertion named in `revokes` no longer holds."""
    who: Text
    """Pseudonym of the person."""
    why: LongText
    evidence: tuple[Reference, ...] = ()
    """The events the person bases the claim on."""
    pictures: tuple[Attachment, ...] = ()
    revokes: Reference | None = None
    """The assertion that is revoked."""
    of: Board | None = None
    """The panel or assembly, for part_of and not_part_of."""
    happened: Time | None = None
    """When what is claimed happened, for visited and not_visited. Absent: at any time."""
    hold: Text | None = None
    """The plant's own number of the hold, for held and released."""
    corrects: Reference | None = None
    """An event of the inspection or test whose outcome is claimed to be another one."""
    outcome: Outcome | None = None
    """What it came out as, by the person who claims it."""


TYPES: tuple[type[Data], ...] = (
    BoardIntroduced, BoardIdentified, BoardArrived, BoardDeparted, BoardTransferred, BoardDepaneled,
    BoardJoined, BoardSeparated, BoardMagazineHandled, BoardHeld, BoardReleased, BoardDispositioned,
    BoardShipped, BoardAsserted,
)  # fmt: skip

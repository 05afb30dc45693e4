"""Boards: where they come from, where they are, what they are called, what was decided about them."""

from typing import ClassVar, Literal

from broker_bridge.events.base import Board, Data, LongText, Name, Text


class _BoardData(Data):
    STATUS: ClassVar[Literal["final", "draft"]] = "final"


class BoardIntroduced(_BoardData):
    """A board or panel entered the record for the first time here: loaded as bare board, marked, labelled."""

    TYPE = "board.introduced"
    magazine: Text | None = None
    slot: Text | None = None


class BoardIdentified(_BoardData):
    """Identifiers were found to belong together: two names of one thing, or a board and its panel."""

    TYPE = "board.identified"


class BoardArrived(_BoardData):
    """A board came into a station."""

    TYPE = "board.arrived"
    how: Literal["transferred", "loaded", "inserted", "unknown"]
    """From the neighbour; from a magazine or stack; by hand."""
    magazine: Text | None = None
    slot: Text | None = None


class BoardDeparted(_BoardData):
    """A board left a station."""

    TYPE = "board.departed"
    how: Literal["transferred", "unloaded", "removed", "unknown"]
    """To the neighbour; into a magazine or stack; by hand."""
    outcome: Literal["good", "failed", "unknown"] | None = None
    """What the station told its neighbour about the board."""
    magazine: Text | None = None
    slot: Text | None = None


class BoardTransferred(_BoardData):
    """A hand-over of which both ends were seen."""

    TYPE = "board.transferred"
    to_station: Name
    to_lane: int | None = None
    outcome: Literal["good", "failed", "unknown"] | None = None


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


class BoardAsserted(_BoardData):
    """A person's statement about boards: evidence like any other, and revocable."""

    TYPE = "board.asserted"
    claim: Literal["same", "not_same", "part_of", "not_part_of", "visited", "not_visited", "note", "revoked"]
    """`same`: all of `boards` are one thing. `revoked`: the assertion named in `revokes` no longer holds."""
    who: Text
    """Pseudonym of the person."""
    why: LongText
    revokes: Text | None = None
    """Id of the event that is revoked."""
    of: Board | None = None
    """The panel or assembly, for part_of and not_part_of."""


TYPES: tuple[type[Data], ...] = (
    BoardIntroduced, BoardIdentified, BoardArrived, BoardDeparted, BoardTransferred, BoardDepaneled,
    BoardJoined, BoardSeparated, BoardHeld, BoardReleased, BoardDispositioned, BoardShipped, BoardAsserted,
)  # fmt: skip

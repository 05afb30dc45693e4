"""The board a message is about, with the boards of its panel, and nothing that only looks like a name."""

import re
from collections.abc import Collection
from typing import Final, Literal, NamedTuple

from broker_bridge.adapters.transfer.protocol import FlippedBoard, SubBoard, SubBoardState
from broker_bridge.adapters.transfer.protocol.messages import RoutedBoard
from broker_bridge.events.base import Board, Identifier, PositionState, Side

_GUID: Final = re.compile(r"[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_NIL: Final = "00000000-0000-0000-0000-000000000000"
"""RFC 9562, section 5.9. On this wire it stands for no id."""

_SIDE_UP: Final[dict[int, Side]] = {FlippedBoard.TOP_SIDE_UP: "top", FlippedBoard.BOTTOM_SIDE_UP: "bottom"}
_STATES: Final[dict[int, PositionState]] = {
    SubBoardState.UNKNOWN: "unknown",
    SubBoardState.GOOD: "good",
    SubBoardState.FAILED: "failed",
    SubBoardState.MISSING: "missing",
    SubBoardState.SKIP: "skipped",
}


class Naming(NamedTuple):
    """What the plant says about names on this channel (config.TransferAdapter has the words)."""

    labels: Literal["panel", "board"] | None
    positions: Literal["machine", "plant"]
    board_ids: Literal["guid", "any"]
    placeholders: frozenset[str]
    """In lower case."""

    def is_placeholder(self, text: str) -> bool:
        """Whether a barcode stands for "none"."""
        text = text.strip()
        return len(set(text)) <= 1 or text.casefold() in self.placeholders


def boards_of(message: RoutedBoard, naming: Naming) -> tuple[tuple[Board, ...], list[str]]:
    """The board itself, then the boards it holds as a panel, in the order given; and flags.

    How the machine came by a barcode, reading it or hearing of it, is not on the wire: all names are passed on.
    """
    flags: list[str] = []
    names = _names(message, naming, flags)
    unit: Literal["panel", "board", "unknown"]
    unit = "panel" if message.sub_boards else naming.labels or "unknown"
    itself = Board(
        unit=unit,
        identifiers=tuple(names),
        side_up=_SIDE_UP.get(message.flipped_board) if message.flipped_board is not None else None,
    )
    panel = next((name for name in names if name.kind == "panel"), names[0] if names else None)
    parts = [_part(sub_board, panel, naming, flags) for sub_board in message.sub_boards]
    return (itself, *parts), flags


def barcode(
    text: str | None, kind: str, naming: Naming, flags: list[str], side: Side | None = None
) -> list[Identifier]:
    """A barcode as an identifier; none where the text is absent, empty or a placeholder."""
    if not text:
        return []
    if naming.is_placeholder(text):
        flags.append("placeholder_identifier")
        return []
    return [Identifier(kind=kind, value=text, how="passed_on", side=side)]


def label_kind(naming: Naming, sub_boards: Collection[SubBoard] = ()) -> str:
    """What a barcode of the whole board names."""
    return "panel" if sub_boards else naming.labels or "label"


def subject_of(boards: tuple[Board, ...]) -> str | None:
    """The name by which a person looks for the board: a barcode before a transfer id."""
    names = boards[0].identifiers if boards else ()
    labels = [name for name in names if name.kind != "transfer"]
    return next((name.value for name in (*labels, *names)), None)


def _names(message: RoutedBoard, naming: Naming, flags: list[str]) -> list[Identifier]:
    kind = label_kind(naming, message.sub_boards)
    names = _transfer(message, naming)
    names += barcode(message.top_barcode, kind, naming, flags, "top")
    names += barcode(message.bottom_barcode, kind, naming, flags, "bottom")
    return names


def _transfer(message: RoutedBoard, naming: Naming) -> list[Identifier]:
    text = message.board_id
    if not text or text == _NIL:
        return []
    if _GUID.fullmatch(text):
        # RFC 9562, section 4: written in lower case, compared in any. A machine that changes the case of an id
        # it passes on must not make two boards of one.
        text = text.lower()
    elif naming.board_ids == "guid":
        return []
    return [
        Identifier(kind="transfer", value=text, how="passed_on", issuer=message.board_id_created_by or None)
    ]


def _part(sub_board: SubBoard, panel: Identifier | None, naming: Naming, flags: list[str]) -> Board:
    plants = naming.positions == "plant" and sub_board.pos >= 1
    if naming.positions == "plant" and not plants:
        flags.append("position_out_of_range")
    return Board(
        unit="board",
        identifiers=tuple(barcode(sub_board.bc, "board", naming, flags)),
        panel=panel,
        position=sub_board.pos if plants else None,
        machine_position=None if plants else str(sub_board.pos),
        state=_STATES.get(sub_board.st),
    )

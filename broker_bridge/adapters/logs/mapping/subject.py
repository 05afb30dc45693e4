"""The best board identifier of an event, by which topics and readers know it."""

from collections.abc import Sequence
from typing import Final

from broker_bridge.events.base import Board

_ORDER: Final = ("board", "customer_serial", "assembly", "panel", "transfer", "carrier", "magazine")


def best_identifier(boards: Sequence[Board]) -> str | None:
    """The best identifier of the one board, or of the panel that all boards share; None where there is none."""
    if len(boards) == 1:
        board = boards[0]
        ranked = sorted(
            board.identifiers,
            key=lambda known: _ORDER.index(known.kind) if known.kind in _ORDER else len(_ORDER),
        )
        if ranked:
            return ranked[0].value
    panels = {board.panel.value if board.panel is not None else None for board in boards}
    return panels.pop() if len(panels) == 1 else None

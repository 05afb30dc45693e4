"""What a transaction has told of its boards: carried from message to message, and kept beside the outbox."""

import json
from dataclasses import dataclass, field, replace
from typing import Any, Final

from broker_bridge.adapters.cfx.mapping.naming import NOTHING, Whole, named
from broker_bridge.events.base import Board, Program

_TOLD: Final = 500


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one transaction of one machine. All absent: nothing was heard of it yet."""

    boards: tuple[Board, ...] = ()
    about: Whole = NOTHING
    lane: int | None = None
    side: str | None = None
    order: str | None = None
    order_batch: str | None = None
    program: Program | None = None
    told: tuple[str, ...] = field(default=())
    """Inspections that were told already, by a hash of their own keys."""

    @property
    def named(self) -> bool:
        """Whether it names a board."""
        return any(named(board) for board in self.boards)

    def and_told(self, keys: tuple[str, ...]) -> "Known":
        """The same with inspections that have been told now."""
        if not keys:
            return self
        return replace(self, told=tuple(dict.fromkeys((*self.told, *keys)))[-_TOLD:])

    def dump(self) -> dict[str, Any]:
        """As JSON values."""
        return {
            "boards": [board.model_dump(mode="json", exclude_none=True) for board in self.boards],
            "about": [
                self.about.identifier,
                self.about.transfer,
                sorted(self.about.panels),
                sorted(self.about.own),
            ],
            "lane": self.lane,
            "side": self.side,
            "order": self.order,
            "order_batch": self.order_batch,
            "program": self.program and self.program.model_dump(mode="json", exclude_none=True),
            "told": list(self.told),
        }

    @classmethod
    def load(cls, kept: dict[str, Any]) -> "Known":
        """What `dump` gave."""
        identifier, transfer, panels, own = kept["about"]
        program = kept["program"]
        return cls(
            boards=tuple(Board.model_validate_json(json.dumps(board)) for board in kept["boards"]),
            about=Whole(identifier, transfer, frozenset(panels), frozenset(own)),
            lane=kept["lane"],
            side=kept["side"],
            order=kept["order"],
            order_batch=kept["order_batch"],
            program=program and Program.model_validate(program),
            told=tuple(kept["told"]),
        )

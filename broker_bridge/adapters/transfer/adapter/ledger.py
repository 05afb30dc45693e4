"""What is proven heard of each machine, and the hole that is open: pure, and kept in the outbox.

The channel has no replay, so every moment in which a machine could have told us something we have not kept lies
in a stated gap. A gap is stated as soon as it opens, without an end, and once more as a higher revision of the
same record when it closes: readers then see one gap with both ends.

Rules for whoever changes this:

1. `heard` is a moment before which nothing of the machine is missing, except in the open hole.
2. A hole begins at `heard`, never later: what was lost may have happened just after it.
3. A machine has one open hole at most. What goes wrong while it is open only keeps it open.
"""

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Literal

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.config import TransferAdapter, TransferMachine
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected, SourceDisconnected, SourceGap

Cause = Literal["away", "outbox_full", "other"]

_OPEN, _CLOSED = 1, 2
"""Revisions of a gap."""

OVERFLOW: Final = "messages came faster than the outbox took them"


@dataclass(frozen=True, slots=True)
class Hole:
    """An open gap: under which record it is stated, since when, and why."""

    generation: str
    position: int
    start: datetime | None
    """None: nothing was ever proven before."""
    cause: Cause
    detail: str


@dataclass(frozen=True, slots=True)
class Ledger:
    """One machine's. Both absent: it was never connected."""

    heard: datetime | None = None
    hole: Hole | None = None

    def dump(self) -> bytes:
        """The ledger as it is kept."""
        hole = self.hole
        kept: dict[str, Any] = {"heard": _text(self.heard)}
        if hole is not None:
            kept["hole"] = {
                "generation": hole.generation,
                "position": hole.position,
                "start": _text(hole.start),
                "cause": hole.cause,
                "detail": hole.detail,
            }
        return json.dumps(kept).encode("utf-8")

    @classmethod
    def load(cls, kept: bytes | None) -> "Ledger":
        """The ledger that `dump` gave; an empty one for None."""
        if kept is None:
            return cls()
        fields = json.loads(kept)
        hole = fields.get("hole")
        return cls(_instant(fields["heard"]), hole and Hole(**{**hole, "start": _instant(hole["start"])}))


def _text(time: datetime | None) -> str | None:
    return None if time is None else time.isoformat()


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Something that happened to the connection of one machine, in order."""

    station: str
    generation: str
    position: int
    at: datetime
    lost: int | None = None
    """Position of the first message that found no place since the item before; None where none was lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connected(Item):
    """The machine has described itself: from here on it tells about boards."""

    peer: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told(Item):
    """A message that states something."""

    statements: tuple[Statement, ...]
    raw: bytes
    rawname: str
    heard: datetime | None
    """What its connection has proven so far; None before the machine described itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard(Item):
    """A sign of life that proves that nothing before `heard` is missing."""

    heard: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Disconnected(Item):
    """The connection is gone. Takes two positions."""

    detail: str


AnyItem = Connected | Told | Heard | Disconnected


class Bookkeeper:
    """Turns what happened to one machine into takings and its next ledger. Holds nothing that changes."""

    def __init__(self, config: TransferAdapter, machine: TransferMachine) -> None:
        self._about = {"station": machine.station, "equipment": machine.equipment}
        # By the bridge's own clock, in UTC.
        self._origin = Origin(adapter=config.name, time_means="taken_in", zone_basis="stated")

    def settle(
        self, ledger: Ledger, item: AnyItem, *, room: bool, revision: int
    ) -> tuple[Ledger, list[Taking]]:
        """The ledger after the item, and what to take.

        room: whether the outbox has any; without, a message is lost and only the hole it leaves is stated.
        revision: that of the mapping.
        """
        takings: list[Taking] = []
        if item.lost is not None and ledger.hole is None:
            hole = Hole(item.generation, item.lost, ledger.heard, "other", OVERFLOW)
            takings.append(self._gap(hole, item.at, item.at))
        if isinstance(item, Connected):
            ledger = self._closed(ledger, item, takings, away=True, loss=room)
            data = SourceConnected(
                **self._about, origin=self._origin, peer=item.peer or None, detail=item.detail or None
            )
            takings.append(_taking(item, Statement(data, item.at)))
            return replace(ledger, heard=item.at), takings
        if isinstance(item, Disconnected):
            gone = SourceDisconnected(**self._about, origin=self._origin, detail=item.detail or None)
            takings.append(_taking(item, Statement(gone, item.at)))
            return self._opened(ledger, item, takings, "away", item.detail, item.position + 1), takings
        if isinstance(item, Told) and not room:
            detail = "the outbox is full: no record takes what it holds"
            return self._opened(ledger, item, takings, "outbox_full", detail, item.position), takings
        if room and item.heard is not None:
            ledger = self._closed(ledger, item, takings, away=False, loss=True)
        if isinstance(item, Told):
            takings.append(Taking(item.generation, item.position, revision, item.statements, item.rawname))
        return ledger if item.heard is None else replace(ledger, heard=item.heard), takings

    def _opened(
        self, ledger: Ledger, item: AnyItem, takings: list[Taking], cause: Cause, detail: str, position: int
    ) -> Ledger:
        if ledger.hole is not None:
            return ledger
        hole = Hole(item.generation, position, ledger.heard, cause, detail)
        takings.append(self._gap(hole, None, item.at))
        return replace(ledger, hole=hole)

    def _closed(
        self, ledger: Ledger, item: AnyItem, takings: list[Taking], *, away: bool, loss: bool
    ) -> Ledger:
        hole = ledger.hole
        if hole is None or not (away if hole.cause == "away" else loss):
            return ledger
        takings.append(self._gap(hole, item.at, item.at, _CLOSED))
        return replace(ledger, hole=None)

    def _gap(self, hole: Hole, end: datetime | None, now: datetime, revision: int = _OPEN) -> Taking:
        start, detail = hole.start, hole.detail
        if start is not None and start > (end or now):
            # Our own clock went back meanwhile: a start after the end would be a gap of nothing.
            detail = (
                f"{detail}; the bridge's clock was set back, it began at {start.isoformat()} by the old one"
            )
            start = None
        data = SourceGap(
            **self._about, origin=self._origin, cause=hole.cause, start=start, end=end, detail=detail
        )
        return Taking(hole.generation, hole.position, revision, (Statement(data, now),))


def _taking(item: AnyItem, *statements: Statement) -> Taking:
    return Taking(item.generation, item.position, 1, statements)

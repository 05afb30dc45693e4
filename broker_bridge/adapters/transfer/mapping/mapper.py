"""Each message of a machine to what it states."""

import base64
import hashlib
import re
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.transfer.mapping.boards import (
    Naming,
    barcode,
    boards_of,
    label_kind,
    subject_of,
)
from broker_bridge.adapters.transfer.mapping.moment import Moment, moment
from broker_bridge.adapters.transfer.mapping.reply import Reply
from broker_bridge.adapters.transfer.protocol import (
    BoardArrived,
    BoardArrivedTransfer,
    BoardDeparted,
    BoardDepartedTransfer,
    FailedBoard,
    Notification,
    QueryWorkOrderInfo,
    Received,
    SendWorkOrderInfo,
    Severity,
    UnknownMessage,
)
from broker_bridge.adapters.transfer.protocol.messages import KnownBoard
from broker_bridge.config import TransferAdapter, TransferMachine
from broker_bridge.errors import MappingError, RemoteProtocolError
from broker_bridge.events.base import Board, Origin, Part, Raw
from broker_bridge.events.board import BoardArrived as Arrived
from broker_bridge.events.board import BoardDeparted as Departed
from broker_bridge.events.board import BoardIdentified, Handling, Word
from broker_bridge.events.source import SourceAnswered, SourceRejected, WorkOrderAnswer
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.union import explain
from broker_bridge.events.work import WorkOrderAssigned

REVISION: Final = 1
"""Of this mapping: raised whenever the same message would give other statements."""

INLINE_BYTES: Final = 4096
"""A message up to this size travels inside its event; a larger one goes to the raw archive."""

_WORDS: Final[dict[int, Word]] = {
    FailedBoard.UNKNOWN: "unknown",
    FailedBoard.GOOD: "good",
    FailedBoard.FAILED: "failed",
}
_ARRIVED: Final[dict[int, Literal["transferred", "loaded", "inserted"]]] = {
    BoardArrivedTransfer.TRANSFERRED: "transferred",
    BoardArrivedTransfer.LOADED: "loaded",
    BoardArrivedTransfer.INSERTED: "inserted",
}
_DEPARTED: Final[dict[int, Literal["transferred", "unloaded", "removed"]]] = {
    BoardDepartedTransfer.TRANSFERRED: "transferred",
    BoardDepartedTransfer.UNLOADED: "unloaded",
    BoardDepartedTransfer.REMOVED: "removed",
}
_SEVERITIES: Final[dict[int, Literal["fatal", "error", "warning", "information"]]] = {
    Severity.FATAL: "fatal",
    Severity.ERROR: "error",
    Severity.WARNING: "warning",
    Severity.INFORMATION: "information",
}
_NAMES_A_BOARD: Final = re.compile(rb"\s(BoardId|TopBarcode|BottomBarcode|Barcode|Bc)\s*=\s*[\"']")
_NOT_A_SLUG: Final = re.compile("[^a-z0-9]+")


class Mapper:
    """What the messages of one machine state. Holds nothing but what the plant says about it."""

    def __init__(self, config: TransferAdapter, machine: TransferMachine) -> None:
        self._adapter = config.name
        self._station = machine.station
        self._equipment = machine.equipment
        self._lane = machine.lane
        self._machine_id = machine.machine_id
        zone = machine.zone or config.zone
        self._zone = ZoneInfo(zone) if zone else None
        self._tolerance = timedelta(seconds=config.clock_tolerance_s)
        self._naming = Naming(
            config.labels,
            config.positions,
            config.board_ids,
            frozenset(word.casefold() for word in config.placeholders),
        )

    def statements(self, received: Received, taken: datetime) -> tuple[Statement, ...]:
        """What a message states; a SourceRejected where it cannot be mapped; () where it is about no board.

        taken: when it arrived, by our clock, in UTC. A message that is not of the standard as known here is
        ignored, as the standard wants, unless it names a board: then it may be a later version's way of saying
        what we should have recorded, so its bytes are kept.
        """
        message = received.message
        try:
            if isinstance(message, UnknownMessage):
                if not _NAMES_A_BOARD.search(received.raw):
                    return ()
                reason = f"{message.name} names a board, and is no message of this channel as known here"
                return (self.rejected(received.raw, reason, taken, place=message.name, code="unknown_kind"),)
            state = _STATING.get(type(message))
            return () if state is None else state(self, message, received, taken)
        except MappingError as error:
            return (self.rejected(received.raw, str(error), taken, place=error.place, code="other_machine"),)
        except ValidationError as error:
            return (
                self.rejected(
                    received.raw, explain(error), taken, place=type(message).__name__, code="field"
                ),
            )

    def rejected(
        self, raw: bytes, reason: str, taken: datetime, *, place: str = "", code: str = "protocol"
    ) -> Statement:
        """Bytes that could not become anything else, with why."""
        data = SourceRejected(
            station=self._station,
            equipment=self._equipment,
            reason=_storable(reason, 8192),
            place=_storable(place, 512) or None,
            value=_storable(raw.decode("utf-8", "backslashreplace"), 256),
            code=code,
            origin=Origin(adapter=self._adapter, raw=raw_of(raw), time_means="taken_in"),
        )
        return Statement(data, taken)

    def answered(
        self,
        question: QueryWorkOrderInfo,
        reply: Reply,
        raw: bytes,
        at: datetime,
        took: timedelta,
        allowed_by: str,
    ) -> Statement:
        """That a question was answered. `raw`: the answer's bytes; `at`: when it was sent, by our clock."""
        told = None
        if reply.word is not None:
            told = WorkOrderAnswer(word=reply.word, order=reply.order, part=reply.part)
        data = SourceAnswered(
            station=self._station,
            equipment=self._equipment,
            barcode=_storable(question.barcode or "", 512) or None,
            query=_storable(question.query_id or "", 512) or None,
            answer=told,
            why=_storable(reply.why, 8192) or None,
            record=reply.record,
            commit=reply.commit,
            took_ms=max(0, round(took.total_seconds() * 1000)),
            allowed_by=allowed_by,
            origin=Origin(adapter=self._adapter, raw=raw_of(raw), time_means="taken_in", zone_basis="stated"),
        )
        return Statement(data, at, data.barcode)

    def broken(self, error: RemoteProtocolError, taken: datetime) -> Statement:
        """What the protocol core could not read."""
        return self.rejected(error.raw, str(error), taken)

    def _arrived(self, message: BoardArrived, received: Received, taken: datetime) -> tuple[Statement, ...]:
        self._check(message)
        boards, flags = boards_of(message, self._naming)
        when = self._moment(received, taken)
        data = Arrived(
            **self._about(message, boards),
            lane=self._lane_of(message.upstream_lane_id, flags),
            origin=self._origin(received, when, flags),
            how=_ARRIVED.get(message.board_transfer, "unknown"),
            interface=message.upstream_interface_id or None,
            **_passed(message),
        )
        return (Statement(data, when.time, subject_of(boards)),)

    def _departed(self, message: BoardDeparted, received: Received, taken: datetime) -> tuple[Statement, ...]:
        self._check(message)
        boards, flags = boards_of(message, self._naming)
        when = self._moment(received, taken)
        data = Departed(
            **self._about(message, boards),
            lane=self._lane_of(message.downstream_lane_id, flags),
            origin=self._origin(received, when, flags),
            how=_DEPARTED.get(message.board_transfer, "unknown"),
            interface=message.downstream_interface_id or None,
            **_passed(message),
        )
        return (Statement(data, when.time, subject_of(boards)),)

    def _notified(self, message: Notification, received: Received, taken: datetime) -> tuple[Statement, ...]:
        when = self._moment(received, taken)
        data = StationAlarmRaised(
            station=self._station,
            equipment=self._equipment,
            origin=self._origin(received, when, ()),
            code=str(int(message.notification_code)),
            text=message.description or None,
            severity=_SEVERITIES.get(message.severity, "unknown"),
        )
        return (Statement(data, when.time),)

    def _ordered(
        self, message: SendWorkOrderInfo, received: Received, taken: datetime
    ) -> tuple[Statement, ...]:
        """Who reads along sees it go to a machine. Without a board it assigns nothing."""
        boards, flags = boards_of(message, self._naming)
        if not boards[0].identifiers or not message.work_order_id:
            return ()
        when = self._moment(received, taken)
        data = WorkOrderAssigned(**self._about(message, boards), origin=self._origin(received, when, flags))
        return (Statement(data, when.time, subject_of(boards)),)

    def _asked(
        self, message: QueryWorkOrderInfo, received: Received, taken: datetime
    ) -> tuple[Statement, ...]:
        """A question, but one that says which board lies before the machine."""
        flags: list[str] = []
        names = barcode(message.barcode, label_kind(self._naming), self._naming, flags)
        if not names:
            return ()
        self._check(message)
        when = self._moment(received, taken)
        boards = (Board(unit=self._naming.labels or "unknown", identifiers=tuple(names)),)
        data = BoardIdentified(
            station=self._station,
            equipment=self._equipment,
            boards=boards,
            order=message.work_order_id or None,
            order_batch=message.batch_id or None,
            origin=self._origin(received, when, flags),
        )
        return (Statement(data, when.time, subject_of(boards)),)

    def _check(self, message: BoardArrived | BoardDeparted | QueryWorkOrderInfo) -> None:
        name = type(message).__name__
        if self._machine_id is not None and message.machine_id != self._machine_id:
            raise MappingError(
                f"{name}/MachineId is {message.machine_id!r}, but {self._machine_id!r} stands at {self._station}:"
                " correct machine_id, or the address of this machine",
                f"{name}/MachineId",
            )

    def _about(self, message: KnownBoard | SendWorkOrderInfo, boards: tuple[Board, ...]) -> dict[str, Any]:
        return {
            "station": self._station,
            "equipment": self._equipment,
            "boards": boards,
            "part": Part(number=message.product_type_id) if message.product_type_id else None,
            "order": message.work_order_id or None,
            "order_batch": message.batch_id or None,
        }

    def _lane_of(self, stated: int, flags: list[str]) -> int | None:
        if self._lane is not None:
            if stated != self._lane:
                flags.append("lane_configured")
            return self._lane
        if 1 <= stated <= 99:
            return stated
        flags.append("lane_out_of_range")
        return None

    def _moment(self, received: Received, taken: datetime) -> Moment:
        return moment(received.timestamp, self._zone, taken, self._tolerance)

    def _origin(self, received: Received, when: Moment, flags: Iterable[str]) -> Origin:
        kinds = (_NOT_A_SLUG.sub("_", flag.kind.lower()) for flag in received.flags)
        return Origin(
            adapter=self._adapter,
            raw=raw_of(received.raw),
            time_text=when.time_text,
            time_means=when.time_means,
            zone=when.zone,
            zone_basis=when.zone_basis,
            flags=tuple(dict.fromkeys((*kinds, *flags, *when.flags))),
        )


_Stating = Callable[[Mapper, Any, Received, datetime], tuple[Statement, ...]]

_STATING: Final[dict[type[Any], _Stating]] = {
    BoardArrived: Mapper._arrived,
    BoardDeparted: Mapper._departed,
    Notification: Mapper._notified,
    QueryWorkOrderInfo: Mapper._asked,
    SendWorkOrderInfo: Mapper._ordered,
}
"""The messages that state something. ReplyWorkOrderInfo is none of them: it says that a machine took an order,
not which boards belong to it."""


def raw_of(raw: bytes) -> Raw:
    """Where a message's bytes are: inside the event, or in the raw archive, where the caller puts them."""
    digest = hashlib.sha256(raw).hexdigest()
    if len(raw) <= INLINE_BYTES:
        return Raw(hash=digest, size=len(raw), inline=base64.b64encode(raw).decode("ascii"))
    return Raw(hash=digest, size=len(raw), archived=digest)


def _passed(message: BoardArrived | BoardDeparted) -> dict[str, Any]:
    return {
        "outcome": _WORDS.get(message.failed_board),
        "magazine": message.magazine_id or None,
        "slot": None if message.slot_id is None else str(message.slot_id),
        "handling": _handling(message),
    }


def _handling(message: KnownBoard) -> Handling | None:
    handling = Handling(
        route=_uint16(message.route),
        action=_uint16(message.action),
        length_mm=message.length,
        width_mm=message.width,
        thickness_mm=message.thickness,
        weight_g=message.weight,
        clearance_top_mm=message.top_clearance_height,
        clearance_bottom_mm=message.bottom_clearance_height,
        conveyor_speed_mm_s=message.conveyor_speed,
    )
    return handling if handling != Handling() else None


def _uint16(number: int | None) -> int | None:
    """The number, unless no number of the standard can be meant; the reader has flagged it then."""
    return number if number is not None and 0 <= number < 2**16 else None


def _storable(text: str, longest: int) -> str:
    return text.replace("\x00", "\\x00")[:longest]

"""One message on its way to statements: its time, its place, its boards and its bytes."""

import base64
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.cfx.mapping import naming
from broker_bridge.adapters.cfx.mapping.known import Known
from broker_bridge.adapters.cfx.mapping.naming import Naming, Unit, Whole
from broker_bridge.adapters.cfx.protocol.envelope import Envelope
from broker_bridge.adapters.cfx.protocol.node import Node, Notes, is_person
from broker_bridge.adapters.cfx.protocol.words import SURFACE
from broker_bridge.config import CfxMachine
from broker_bridge.events.base import Board, Data, How, Identifier, Origin, Program, Raw, Side

REVISION: Final = 1
"""Of this mapping: raised whenever the same message would give other statements."""

INLINE_BYTES: Final = 4096
"""A message up to this size that names no person travels inside its event; others go to the raw archive."""


class Zoned(NamedTuple):
    """An instant and how its zone was found."""

    time: datetime
    zone: str
    basis: Literal["stated", "configured"]
    flags: tuple[str, ...] = ()


class Telling:
    """What the functions of the families work with. `body` is the message; `known` what its transaction told before."""

    def __init__(
        self,
        envelope: Envelope,
        machine: CfxMachine,
        rules: Naming,
        adapter: str,
        taken: datetime,
        tolerance: timedelta,
        known: Known,
    ) -> None:
        self.envelope = envelope
        self.machine = machine
        self.naming = rules
        self.known = known
        self.notes = Notes()
        self.body = Node(envelope.body, self.notes)
        for flag in envelope.flags:
            self.notes.flag(flag)
        self._adapter = adapter
        self._taken = taken
        self._zone = ZoneInfo(machine.zone) if machine.zone else None
        self._when(taken, tolerance)
        self.transaction = self._transaction()
        self.learnt: Known = known
        self.told: list[str] = []
        self.statements: list[Statement] = []

    # -- time ---------------------------------------------------------------------------------------------

    def _when(self, taken: datetime, tolerance: timedelta) -> None:
        self.time, self._means, self._zone_name, self._basis = taken, "taken_in", None, None
        stated = self.envelope.time
        if stated is None:
            return
        zoned = self._zoned(stated)
        if zoned is None:
            self.notes.flag("zone_unknown")
            return
        self._zone_name, self._basis = zoned.zone, zoned.basis
        for flag in zoned.flags:
            self.notes.flag(flag)
        if zoned.time > taken + tolerance:
            self.notes.flag("clock_suspect")
            return
        self.time, self._means = zoned.time, "sent"

    def _zoned(self, time: datetime) -> Zoned | None:
        try:
            if time.tzinfo is not None:
                offset = time.isoformat()[-6:]
                return Zoned(time.astimezone(UTC), "UTC" if offset == "+00:00" else offset, "stated")
            if self._zone is None:
                return None
            first, second = (
                time.replace(tzinfo=self._zone),
                time.replace(tzinfo=self._zone, fold=1),
            )
            before, after = first.utcoffset(), second.utcoffset()
            flags: tuple[str, ...] = ()
            if before is not None and after is not None and before != after:
                flags = ("ambiguous_time",) if before > after else ("nonexistent_time",)
            return Zoned(first.astimezone(UTC), str(self._zone), "configured", flags)
        except OverflowError:
            return None

    def moment(self, node: Node, name: str) -> datetime | None:
        """A time in the message; None, flagged, where its zone is not known."""
        stated = node.moment(name)
        if stated is None:
            return None
        zoned = self._zoned(stated)
        if zoned is None:
            self.notes.flag("zone_unknown")
            return None
        for flag in zoned.flags:
            self.notes.flag(flag)
        return zoned.time

    # -- boards -------------------------------------------------------------------------------------------

    def _transaction(self) -> str | None:
        body = self.body
        name = "TransactionID"
        if not body.has(name):
            fault = body.node("Fault") if body.has("Fault") else None
            return fault.guid(name) if fault is not None and fault.has(name) else None
        return body.guid(name)

    def whole(self, units: Sequence[Unit] = ()) -> Whole:
        """What travels, by this message's own identifiers beside what the transaction told."""
        primary = naming.identifier(self.body.text("PrimaryIdentifier"), self.naming, self.notes)
        transfer = naming.transfer_id(self.body.text("HermesIdentifier"), self.notes)
        return naming.whole(primary, transfer, units, self.known.about)

    def travelling(self, how: How = "passed_on") -> tuple[Board, ...]:
        """The boards by PrimaryIdentifier, HermesIdentifier and Units of this message."""
        nodes = self.body.nodes("Units")
        found = naming.units(nodes, self.naming, self.notes)
        count = self.body.whole("UnitCount")
        if count is not None and found and count != len(found):
            self.notes.flag("unit_count_differs")
        about = self.whole(found)
        if (
            self.known.named
            and not found
            and about.identifier == self.known.about.identifier
            and about.transfer == self.known.about.transfer
        ):
            return self.known_boards()  # it says nothing that its transaction has not said
        self.learnt = replace(self.learnt, about=about)
        return naming.boards(about, found, self.naming, self.notes, how)

    def units(self, nodes: Sequence[Node]) -> list[Unit]:
        """The units that some parts of the message are about."""
        return naming.units(nodes, self.naming, self.notes)

    def unit_boards(self, found: Sequence[Unit]) -> list[tuple[Board, ...]]:
        """The board of each of these units; where a unit is not named, those the transaction told of."""
        about = naming.whole(None, None, found, self.known.about)
        return [self._unit_boards(one, about) for one in found]

    def _unit_boards(self, one: Unit, about: Whole) -> tuple[Board, ...]:
        if one.identifier is None and one.number is None:
            return self.known_boards()
        if one.identifier is None or one.identifier in about.panels:
            for board in self.known.boards:
                place = (
                    board.machine_position or board.nest or (str(board.position) if board.position else None)
                )
                if place == str(one.number) and naming.named(board):
                    self._by_transaction(one.identifier is None)
                    return (board.model_copy(update={"state": one.state}),)
        if one.identifier is None and self.known.named:
            self._by_transaction(True)
            if len(self.known.boards) == 1:
                return self.known.boards
        return (naming.board(one, about, self.naming, self.notes, "passed_on"),)

    def known_boards(self) -> tuple[Board, ...]:
        """The boards that the transaction told of before."""
        self._by_transaction(self.known.named)
        return self.known.boards

    def _by_transaction(self, used: bool) -> None:
        if used:
            self.notes.flag("boards_by_transaction")

    # -- statements ---------------------------------------------------------------------------------------

    def say(
        self,
        data_type: type[Data],
        /,
        *,
        boards: tuple[Board, ...] | None = None,
        time: datetime | None = None,
        node: Node | None = None,
        operator: str | None = None,
        **fields: Any,
    ) -> None:
        """State something of this type. `boards` None: those of the transaction. `node`: where Lane and Stage stand."""
        place = node or self.body
        about = self.known_boards() if boards is None and self.transaction else boards or ()
        lane = self.lane(place)
        own = {
            "station": self.machine.station,
            "equipment": self.machine.equipment,
            "stage": self.stage(place),
            "lane": lane if lane is not None else self.known.lane,
            "side": self.known.side,
            "boards": about,
            "order": self.known.order,
            "order_batch": self.known.order_batch,
            "transaction": self.transaction,
            "operator": operator,
        }
        given = {name: value for name, value in fields.items() if value is not None}
        data = data_type(**{**own, **given, "origin": Origin(adapter=self._adapter)})
        self.statements.append(Statement(data, time or self.time, subject(about)))

    def finished(self) -> tuple[Statement, ...]:
        """The statements, each with where it comes from."""
        origin = Origin(
            adapter=self._adapter,
            raw=raw_of(self.envelope.raw, inline=not names_a_person(self.envelope.body)),
            events=max(1, len(self.statements)),
            time_text=self.envelope.time_text,
            time_means=self._means,
            zone=self._zone_name,
            zone_basis=self._basis,
            flags=tuple(self.notes.flags),
        )
        return tuple(
            statement.__class__(
                statement.data.model_copy(update={"origin": origin}), statement.time, statement.subject
            )
            for statement in self.statements
        )

    def lane(self, node: Node) -> int | None:
        """The plant's number of the lane an object states."""
        stated = node.whole("Lane")
        if self.machine.lane is not None:
            if stated is not None and stated != self.machine.lane:
                self.notes.flag("lane_configured")
            return self.machine.lane
        if stated is None:
            return None
        if self.machine.lanes:
            if (lane := self.machine.lanes.get(str(stated))) is not None:
                return lane
        elif 1 <= stated <= 99:
            return stated
        self.notes.flag("lane_out_of_range")
        return None

    def stage(self, node: Node) -> str | None:
        """The stage an object states: its name, else its number."""
        stage = node.node("Stage")
        if stage is None:
            return None
        name = stage.text("StageName")
        number = stage.text("StageSequence") if name is None else None
        return name or number

    def side(self, node: Node, name: str = "RelevantSurface") -> Side | None:
        """The side a surface is, where the plant says which."""
        if self.machine.primary_side is None or not node.has(name):
            return None
        word = node.word(name, SURFACE)
        if word == "PrimarySurface":
            return self.machine.primary_side
        if word == "SecondarySurface":
            return "bottom" if self.machine.primary_side == "top" else "top"
        return None

    def order(self, node: Node) -> tuple[str | None, str | None]:
        """Work order and batch."""
        stated = node.node("WorkOrderIdentifier")
        return (stated.text("WorkOrderId"), stated.text("Batch")) if stated is not None else (None, None)

    def program(self, node: Node, name: str = "RecipeName", revision: str = "Revision") -> Program | None:
        """A recipe by name and revision."""
        stated = node.text(name)
        return Program(name=stated, revision=node.text(revision)) if stated else None

    def operator(self, node: Node, name: str) -> str | None:
        """Who did it, in the clear: the edge keeps a pseudonym. A robot or system is nobody."""
        person = node.node(name)
        if person is None:
            return None
        if (person.text("ActorType") or "Human") not in ("Human", "0"):
            return None
        known = person.text("OperatorIdentifier") or person.text("LoginName") or person.text("FullName")
        names = [text for text in (person.text("FirstName"), person.text("LastName")) if text]
        return known or " ".join(names) or None


def raw_of(raw: bytes, *, inline: bool = True) -> Raw:
    """Where a message's bytes are: inside the event, or in the raw archive, where the caller puts them."""
    digest = hashlib.sha256(raw).hexdigest()
    if inline and len(raw) <= INLINE_BYTES:
        return Raw(hash=digest, size=len(raw), inline=base64.b64encode(raw).decode("ascii"))
    return Raw(hash=digest, size=len(raw), archived=digest)


def names_a_person(value: Any) -> bool:
    """Whether a field that holds a person says something, anywhere in a message."""
    return any(_person_fields(value))


def _person_fields(value: Any) -> Iterator[bool]:
    if isinstance(value, dict):
        for name, one in value.items():
            if is_person(name) and one not in (None, "", {}, []):
                yield True
            yield from _person_fields(one)
    elif isinstance(value, list):
        for one in value:
            yield from _person_fields(one)


def subject(boards: tuple[Board, ...]) -> str | None:
    """The name by which a person looks for the board: its own or its panel's before a transfer id."""
    found: list[Identifier] = []
    for board in boards[:1]:
        found = list(board.identifiers) + ([board.panel] if board.panel is not None else [])
    plain = [name for name in found if name.kind != "transfer"]
    return next((name.value for name in (*plain, *found)), None)

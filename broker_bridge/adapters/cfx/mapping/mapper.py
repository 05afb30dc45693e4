"""A message of a machine to what it states."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from pydantic import ValidationError

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.cfx.mapping.boards import kept
from broker_bridge.adapters.cfx.mapping.known import Known
from broker_bridge.adapters.cfx.mapping.naming import Naming, named
from broker_bridge.adapters.cfx.mapping.table import SIGNS, STATING
from broker_bridge.adapters.cfx.mapping.telling import Telling, raw_of
from broker_bridge.adapters.cfx.protocol import names
from broker_bridge.adapters.cfx.protocol.envelope import Broken, Envelope
from broker_bridge.adapters.cfx.protocol.node import Node, Notes
from broker_bridge.config import CfxAdapter, CfxMachine
from broker_bridge.errors import MappingError
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceRejected, SourceRetracted
from broker_bridge.events.union import explain

_ABOUT_BOARDS: Final = frozenset({"board", "work", "material", "inspection", "reading"})


@dataclass(frozen=True, slots=True)
class Reading:
    """What a message says. Without statements it is a sign of life, or of a machine that is left aside."""

    statements: tuple[Statement, ...] = ()
    machine: CfxMachine | None = None
    transaction: str | None = None
    learnt: Known | None = None
    """What is known of its transaction from now on."""
    nameless: bool = False
    """Something it says is of boards that nobody has named yet; if its transaction names them, ask again."""
    beats_s: float | None = None
    """Seconds until the next heartbeat, as this one states."""
    read: frozenset[str] = frozenset()
    """The fields of the message body that the statements tell."""


class Mapper:
    """What the messages of an adapter's machines state. Holds nothing but what the plant says about them."""

    def __init__(self, config: CfxAdapter) -> None:
        self._adapter = config.name
        self._others = config.other_handles
        self._machines: Mapping[str, CfxMachine] = {machine.handle: machine for machine in config.machines}
        self._tolerance = timedelta(seconds=config.clock_tolerance_s)
        self._naming = Naming(
            config.labels, config.positions, frozenset(word.casefold() for word in config.placeholders)
        )

    def machine(self, envelope: Envelope) -> CfxMachine | None:
        """The machine that says it, by its handle letter for letter."""
        return self._machines.get(envelope.source or "")

    def transaction(self, envelope: Envelope) -> str | None:
        """The transaction a message belongs to; None where it states none or none that can be read."""
        try:
            node = Node(envelope.body, Notes())
            if not node.has("TransactionID"):
                fault = node.node("Fault") if node.has("Fault") else None
                return fault.guid("TransactionID") if fault is not None else None
            return node.guid("TransactionID")
        except MappingError:
            return None

    def read(self, envelope: Envelope, taken: datetime, known: Known) -> Reading:
        """What a message states, given what its transaction told before. `taken`: when it came, by our clock, UTC."""
        machine = self.machine(envelope)
        if machine is None:
            if self._others == "ignore" and envelope.source is not None:
                return Reading()
            reason = (
                "it states no Source: which machine says it is not known"
                if envelope.source is None
                else f"Source is {envelope.source!r}, and no machine of this adapter has that handle: add it to machines"
            )
            return Reading(
                (self.rejected(envelope.raw, reason, taken, place="Source", code="unknown_handle"),)
            )
        name = names.known(envelope.name)
        if name is None:
            reason = f"{envelope.name} is no message of IPC-2591 as known here (up to version 2.1)"
            said = self.rejected(
                envelope.raw, reason, taken, place="MessageName", code="unknown_kind", machine=machine
            )
            return Reading((said,), machine)
        if name in SIGNS:
            return Reading(machine=machine, beats_s=_beats(envelope))
        try:
            return self._told(envelope, name, machine, taken, known)
        except MappingError as error:
            reason, place = f"{name}: {error}", error.place
        except ValidationError as error:
            reason, place = f"{name}: {explain(error)}", name
        said = self.rejected(envelope.raw, reason, taken, place=place, code="field", machine=machine)
        return Reading((said,), machine)

    def _told(
        self, envelope: Envelope, name: str, machine: CfxMachine, taken: datetime, known: Known
    ) -> Reading:
        telling = Telling(envelope, machine, self._naming, self._adapter, taken, self._tolerance, known)
        STATING.get(name, kept)(telling)
        if not telling.statements:
            kept(telling)
        statements = telling.finished()
        nameless = telling.transaction is not None and any(
            statement.data.TYPE.partition(".")[0] in _ABOUT_BOARDS
            and not any(named(board) for board in statement.data.boards)
            for statement in statements
        )
        return Reading(
            statements,
            machine,
            telling.transaction,
            telling.learnt.and_told(tuple(telling.told)),
            nameless,
            read=frozenset(telling.notes.read),
        )

    def broken(self, broken: Broken, taken: datetime) -> Statement:
        """Bytes that are no message."""
        return self.rejected(broken.raw, broken.reason, taken, place=broken.place, code=broken.code)

    def retracted(self, raw: bytes, reason: str, taken: datetime) -> Statement:
        """Bytes that were rejected and are told elsewhere, or left aside, by now."""
        origin = Origin(adapter=self._adapter, raw=raw_of(raw, inline=False), time_means="taken_in")
        return Statement(SourceRetracted(reason=reason, origin=origin), taken)

    def rejected(
        self,
        raw: bytes,
        reason: str,
        taken: datetime,
        *,
        place: str = "",
        code: str = "protocol",
        machine: CfxMachine | None = None,
    ) -> Statement:
        """Bytes that could not become anything else, with why. They go to the archive: they may name persons."""
        data = SourceRejected(
            station=machine.station if machine is not None else None,
            equipment=machine.equipment if machine is not None else None,
            reason=reason.replace("\x00", "")[:8192],
            place=place.replace("\x00", "")[:512] or None,
            code=code,
            origin=Origin(adapter=self._adapter, raw=raw_of(raw, inline=False), time_means="taken_in"),
        )
        return Statement(data, taken)


def _beats(envelope: Envelope) -> float | None:
    try:
        span = Node(envelope.body, Notes()).span("HeartbeatFrequency")
    except MappingError:
        return None
    return span.total_seconds() if span is not None and span.total_seconds() > 0 else None

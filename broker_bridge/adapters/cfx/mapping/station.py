"""Stations: states, faults, log entries, on and off line."""

from typing import Final, Literal

from broker_bridge.adapters.cfx.mapping.boards import kept
from broker_bridge.adapters.cfx.mapping.material import feeding, package
from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.mapping.values import designated
from broker_bridge.adapters.cfx.protocol.node import Node
from broker_bridge.adapters.cfx.protocol.words import IMPORTANCE, SEVERITY, State, state
from broker_bridge.events.base import Feeding, Place
from broker_bridge.events.source import SourceConnected, SourceDisconnected
from broker_bridge.events.station import StationAlarmCleared, StationAlarmRaised, StationStateChanged

Severity = Literal["information", "warning", "error", "fatal", "unknown"]
_CLASSES: Final = {
    1: "productive", 2: "standby", 3: "engineering", 4: "scheduled_down", 5: "unscheduled_down", 6: "non_scheduled",
}  # fmt: skip
"""The six states of SEMI E10 by the thousands of a code."""
_SEVERITIES: Final[dict[str, Severity]] = {
    "Information": "information", "Warning": "warning", "Error": "error", "Alarm": "fatal", "Fatal": "fatal",
    "Debug": "information",
}  # fmt: skip
NOT_STATED: Final = "not_stated"
"""Code of a cleared alarm: the message only repeats the key of the occurrence."""


def state_changed(telling: Telling) -> None:
    """StationStateChanged, StageStateChanged."""
    new = _state(telling.body, "NewState")
    if new is None:
        raise telling.body.wrong("NewState", None, "says no state")
    old = _state(telling.body, "OldState")
    fault = telling.body.node("RelatedFault")
    cause = code = None
    if fault is not None:
        _ = fault.kind
        cause, code = fault.guid("FaultOccurrenceId"), fault.text("FaultCode")
    telling.say(
        StationStateChanged,
        boards=(),
        state="unknown" if new.code is None else _CLASSES[new.code // 1000],
        native=new.name,
        previous=old.name if old is not None else None,
        reason=code,
        alarm=cause,
    )


def _state(node: Node, name: str) -> State | None:
    value = node.get(name)
    if value is None or value == "":
        return None
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise node.wrong(name, value, "is no state")
    found = state(value)
    if found.code is None:
        node.notes.flag("unknown_word")
    return found


def fault_occurred(telling: Telling) -> None:
    """FaultOccurred."""
    fault = telling.body.node("Fault")
    if fault is None:
        raise telling.body.wrong("Fault", None, "says no fault")
    _raised(telling, fault)


def active_faults(telling: Telling) -> None:
    """GetActiveFaultsResponse."""
    faults = telling.body.nodes("ActiveFaults")
    for fault in faults:
        _raised(telling, fault)
    if not faults:
        kept(telling)


def _raised(telling: Telling, fault: Node) -> None:
    _ = fault.kind
    spots = designated(fault.node("Designator")) if fault.has("Designator") else ()
    location = fault.node("MaterialLocation") if fault.has("MaterialLocation") else None
    tool = fault.node("HeadAndNozzle") if fault.has("HeadAndNozzle") else None
    where = feeding(location, tool) if location is not None or tool is not None else None
    if location is not None:
        package(location.node("MaterialPackage"), telling)
    kinds = [
        text
        for name in ("PlacementFaultType", "PrintingFaultType", "ReflowOvenFaultType", "InsertionFaultType")
        if fault.has(name) and (text := fault.text(name))
    ]
    words = [fault.long_text("Description"), fault.text("Cause"), *kinds]
    text = ": ".join(dict.fromkeys(word for word in words if word))
    spot: Place | None = spots[0] if len(spots) == 1 else None
    place: Feeding | None = where if where != Feeding() else None
    telling.say(
        StationAlarmRaised,
        boards=telling.known_boards() if telling.transaction else (),
        time=telling.moment(fault, "OccurredAt") if telling.envelope.time is None else None,
        node=fault,
        code=fault.text("FaultCode") or fault.text("Cause") or NOT_STATED,
        text=text or None,
        severity=_SEVERITIES.get(fault.word("Severity", SEVERITY) or "", "unknown"),
        alarm=fault.guid("FaultOccurrenceId"),
        place=spot,
        feeding=place,
    )


def fault_cleared(telling: Telling) -> None:
    """FaultCleared."""
    alarm = telling.body.guid("FaultOccurrenceId")
    if alarm is None:
        raise telling.body.wrong("FaultOccurrenceId", None, "says no fault")
    operator = telling.operator(telling.body, "Operator")
    telling.say(StationAlarmCleared, boards=(), code=NOT_STATED, alarm=alarm, operator=operator)


def logged(telling: Telling) -> None:
    """LogEntryRecorded."""
    word = telling.body.word("Importance", IMPORTANCE)
    telling.say(
        StationAlarmRaised,
        boards=(),
        code=telling.body.text("InformationId") or NOT_STATED,
        text=telling.body.long_text("Message"),
        severity=_SEVERITIES.get(word or "", "unknown"),
    )


def online(telling: Telling) -> None:
    """StationOnline, EndpointConnected: the machine says that it is there."""
    span = telling.body.span("OfflineDuration") if telling.body.has("OfflineDuration") else None
    told = telling.envelope.name.rpartition(".")[2]
    detail = told if span is None else f"{told}, offline for {span.total_seconds():g} s"
    telling.say(SourceConnected, boards=(), peer=telling.envelope.source, detail=detail)


def offline(telling: Telling) -> None:
    """StationOffline, EndpointShuttingDown: it says that it goes."""
    telling.say(SourceDisconnected, boards=(), detail=telling.envelope.name.rpartition(".")[2])

"""Events of stations to messages."""

from typing import Final

from broker_bridge.adapters.cfx.protocol.words import STATES
from broker_bridge.adapters.cfx.protocol.words import state as read_state
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import units
from broker_bridge.outlets.cfx.units import Body, Message

_PERFORMANCE: Final = "CFX.ResourcePerformance"
_CLASSES: Final = {
    "productive": "PRD", "standby": "SBY", "engineering": "ENG", "scheduled_down": "SDT", "unscheduled_down": "USD",
    "non_scheduled": "NST",
}  # fmt: skip
_SEVERITIES: Final = {"information": "Information", "warning": "Warning", "error": "Error", "fatal": "Alarm"}


def state_changed(fact: Fact) -> list[Message]:
    """station.state_changed; an unknown state has no word in CFX."""
    data = fact.data
    name = _CLASSES.get(data["state"])
    if name is None:
        return []
    body: Body = {"OldState": _state(data.get("previous")), "OldStateDuration": None}
    body["NewState"] = _state(data["native"], within=name) or name
    body["RelatedFault"] = None
    if stage := units.stage(data):
        return [
            Message(f"{_PERFORMANCE}.StageStateChanged", {"Stage": stage, "Lane": data.get("lane"), **body})
        ]
    return [Message(f"{_PERFORMANCE}.StationStateChanged", body)]


def _state(native: str | None, within: str | None = None) -> str | int | None:
    """The state a machine's own word is, where it is one of CFX."""
    if native is None:
        return None
    found = read_state(native)
    if found.code is None or (within is not None and found.code // 1000 != STATES[within] // 1000):
        return None
    return found.name if found.name in STATES else found.code


def alarm_raised(fact: Fact) -> list[Message]:
    """station.alarm_raised."""
    data = fact.data
    fault: Body = {
        "FaultCode": data["code"],
        "FaultOccurrenceId": units.guid_of(fact, data.get("alarm")),
        "Lane": data.get("lane"),
        "Stage": units.stage(data),
        "SideLocation": "Unknown",
        "AccessType": "Unknown",
        "Description": data.get("text"),
        "DescriptionTranslations": {},
        "OccurredAt": units.when(fact.time),
        "DueDateTime": None,
    }
    if severity := _SEVERITIES.get(data.get("severity") or ""):
        fault["Severity"] = severity
    place, feeding = units.component(data.get("place")), data.get("feeding") or {}
    where = units.location(feeding)
    tool = None
    if feeding.get("nozzle") or feeding.get("head"):
        tool = {"UniqueIdentifier": feeding.get("nozzle"), "HeadId": feeding.get("head")}
    if place is not None or where is not None or tool is not None:
        fault = {
            "$type": "CFX.Structures.SMTPlacement.SMTPlacementFault, CFX",
            **fault,
            "Designator": place,
            "MaterialLocation": where,
            "HeadAndNozzle": tool,
        }
    if data.get("transaction"):
        fault["TransactionID"] = units.transaction(fact)
    return [Message(f"{_PERFORMANCE}.FaultOccurred", {"Fault": fault})]


def alarm_cleared(fact: Fact) -> list[Message]:
    """station.alarm_cleared, where it says which occurrence."""
    data = fact.data
    if data.get("alarm") is None:
        return []
    body = {"FaultOccurrenceId": units.guid_of(fact, data["alarm"]), "Operator": units.operator(data)}
    return [Message(f"{_PERFORMANCE}.FaultCleared", body)]


def program_changed(fact: Fact) -> list[Message]:
    """station.program_changed: activated, or edited."""
    data = fact.data
    program = data["program"]
    named: Body = {"RecipeName": program["name"], "Revision": program.get("revision")}
    if data.get("edited"):
        body = named | {
            "ModifiedBy": units.operator(data),
            "Notes": data.get("reason"),
            "WorkOrderIdentifier": units.order(data),
        }
        return [Message("CFX.Production.RecipeModified", body)]
    body = named | {
        "Lane": data.get("lane"),
        "Stage": units.stage(data),
        "WorkOrderIdentifier": units.order(data),
    }
    return [Message("CFX.Production.RecipeActivated", body)]

"""Events of work and readings to messages."""

from collections.abc import Sequence
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import units
from broker_bridge.outlets.cfx.units import Body, Data, Message

_PRODUCTION: Final = "CFX.Production"
_RESULTS: Final = {"completed": "Completed", "failed": "Failed", "aborted": "Aborted", "skipped": "Skipped"}
_PROCESSED: Final = {"completed": "Succeeded", "failed": "Failed", "aborted": "Aborted", "skipped": "Skipped"}
_JUDGED: Final = {"passed": "Passed", "failed": "Failed", "unknown": "Error"}


def started(fact: Fact) -> list[Message]:
    """work.started."""
    data = fact.data
    if units.stage(data) is not None:
        body: Body = {"TransactionID": units.transaction(fact), "Stage": units.stage(data)}
        return [Message(f"{_PRODUCTION}.WorkStageStarted", body)]
    program = data.get("program") or {}
    body = units.travelling(data) | {
        "TransactionID": units.transaction(fact),
        "Lane": data.get("lane"),
        "RecipeName": program.get("name"),
        "Revision": program.get("revision"),
        "WorkOrderIdentifier": units.order(data),
    }
    return [Message(f"{_PRODUCTION}.WorkStarted", body)]


def completed(fact: Fact) -> list[Message]:
    """work.completed, with its values as process data before it."""
    data = fact.data
    found = []
    if data.get("values"):
        found.append(_processed(fact, _PROCESSED.get(data["outcome"]), generic(data["values"])))
    body: Body = {"TransactionID": units.transaction(fact)}
    if result := _RESULTS.get(data["outcome"]):
        body["Result"] = result
    if stage := units.stage(data):
        return [*found, Message(f"{_PRODUCTION}.WorkStageCompleted", body | {"Stage": stage})]
    return [*found, Message(f"{_PRODUCTION}.WorkCompleted", body | units.travelling(data))]


def printed(fact: Fact) -> list[Message]:
    """work.print_attempted: process data of a printer; its values beside them."""
    data = fact.data
    process: Body = {
        "$type": "CFX.Structures.SolderPastePrinting.SolderPastePrintingPCBProcessData, CFX",
        "Strokes": [],
        "RecipeName": (data.get("program") or {}).get("name"),
        "FirstPrintDirection": data.get("stroke"),
    }
    return [_processed(fact, _PROCESSED.get(data.get("outcome") or ""), process, data.get("values") or ())]


def _processed(fact: Fact, result: str | None, common: Body, values: Sequence[Data] = ()) -> Message:
    body: Body = {"TransactionId": units.transaction(fact)}
    if result:
        body["OverallResult"] = result
    body["CommonProcessData"] = common
    own = {"UnitProcessData": generic(values)} if values else {"UnitProcessData": None}
    body["UnitProcessData"] = [unit | own for unit in units.units(fact.data)]
    return Message(f"{_PRODUCTION}.Processing.UnitsProcessed", body)


def generic(values: Sequence[Data]) -> Body:
    """GenericProcessData (2.1 and later): numbers as readings, texts as parameters."""
    numbers = [value for value in values if value.get("text") is None]
    texts = [value for value in values if value.get("text") is not None]
    return {
        "$type": "CFX.Structures.Generic.GenericProcessData, CFX",
        "Setpoints": [],
        "Readings": [{"Name": value["name"], "Value": units.numeric(value)} for value in numbers],
        "Parameters": [{"Name": value["name"], "Value": value["text"]} for value in texts],
        "StageData": [],
    }


def recorded(fact: Fact) -> list[Message]:
    """reading.recorded: a reading for each value and unit."""
    data = fact.data
    readings: list[Body] = []
    for unit in units.units(data):
        for value in data["values"]:
            readings.append(unit | _reading(fact, value, len(readings) + 1))
    named = data.get("transaction")
    body = {"TransactionId": units.guid_of(fact, named) if named else None, "Readings": readings}
    return [Message(f"{_PRODUCTION}.ReadingsRecorded", body)] if readings else []


def _reading(fact: Fact, value: Data, sequence: int) -> Body:
    text = value.get("text")
    found: dict[str, Any] = {
        "ReadingIdentifier": value["name"],
        "TimeRecorded": units.when(fact.time),
        "ReadingSequence": sequence,
        "ValueDataType": "String" if text is not None else "Numeric",
        "ValueUnits": value.get("unit"),
        "Value": text if text is not None else _number(value.get("value")),
        "ExpectedValue": value.get("expected") if text is not None else _number(value.get("nominal")),
        "ExpectedValueUnits": value.get("unit") if value.get("nominal") is not None else None,
        "MinimumAcceptableValue": _number(value.get("lower")),
        "MaximumAcceptableValue": _number(value.get("upper")),
        "Components": [place] if (place := units.component(value.get("place"))) else [],
    }
    if outcome := value.get("outcome"):
        found["Result"] = _JUDGED[outcome]
    return found


def _number(value: float | None) -> str | None:
    return None if value is None else repr(value)


def stencil_cleaned(fact: Fact) -> list[Message]:
    """work.stencil_cleaned: a wipe inside the printer."""
    data = fact.data
    if data.get("method") != "wiped":
        return []
    body: Body = {"Stencil": {"UniqueIdentifier": data.get("stencil"), "Name": data.get("stencil")}}
    return [Message("CFX.ResourcePerformance.SolderPastePrinting.StencilCleaned", body)]

"""Events of inspection, review, test and rework to messages."""

from typing import Any, Final

from broker_bridge.adapters.cfx.protocol.writing import unique_id
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import units
from broker_bridge.outlets.cfx.units import Body, Data, Message

_METHODS: Final = {"paste": "SPI", "optical": "AOI", "x_ray": "AXI", "visual": "Human"}
_TESTS: Final = {"in_circuit": "ICT", "flying_probe": "FPT", "functional": "FCT", "boundary_scan": "BST"}
_OUTCOMES: Final = {
    "passed": "Passed", "failed": "Failed", "aborted": "Aborted", "skipped": "Skipped", "bypassed": "Skipped",
    "not_inspected": "Skipped", "unknown": "Error",
}  # fmt: skip
_VERDICTS: Final = {
    "confirmed": "DefectConfirmed",
    "false_call": "DefectRejected",
    "process_indicator": "DefectAccepted",
}
_REPAIRED: Final = {"repaired": "RepairSuccessful", "not_repairable": "UnableToRepair"}

_MOST_SKIPPED: Final = 500


def inspected(fact: Fact) -> list[Message]:
    """inspection.completed. A method that CFX has no word for is not sent: a wrong one would be worse."""
    data = fact.data
    method = _METHODS.get(data["method"])
    if method is None:
        return []
    look: Body = {
        "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\ninspection"),
        "InspectionName": None,
        "InspectionStartTime": units.when(data.get("started")),
        "InspectionEndTime": units.when(data.get("ended")),
        "Result": _OUTCOMES[data["outcome"]],
        "Error": data.get("reason"),
        "DefectsFound": [_defect(fact, call, place) for place, call in enumerate(data.get("calls") or ())],
        "Symptoms": [],
        "Measurements": [],
    }
    total, skipped = _counted(fact, data.get("coverage") or {})
    found = [
        unit
        | {
            "OverallResult": _OUTCOMES[data["outcome"]],
            "TotalInspectionCount": total,
            "Inspections": [look, *skipped],
        }
        for unit in units.units(data)
    ]
    return [_inspected(fact, method, found)]


def _counted(fact: Fact, coverage: dict[str, Any]) -> tuple[int | None, list[Body]]:
    """How many places there were, and those that were not looked at: a count alone would pass for that of all.

    None where it is not known how many were looked at, or too many were not.
    """
    total, inspected = coverage.get("total"), coverage.get("inspected")
    if total is None or inspected is None or not 0 <= total - inspected <= _MOST_SKIPPED:
        return None, []
    names = coverage.get("left_out") or ()
    return total, [
        {
            "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\nnot inspected {place}"),
            "InspectionName": names[place] if place < len(names) else None,
            "Result": "Skipped",
            "DefectsFound": [],
            "Symptoms": [],
            "Measurements": [],
        }
        for place in range(total - inspected)
    ]


def reviewed(fact: Fact) -> list[Message]:
    """inspection.reviewed: the verdicts, as an inspection by eye of the places that had been called."""
    data = fact.data
    verdicts = data.get("verdicts") or ()
    if not verdicts:
        return []
    defects = []
    for place, verdict in enumerate(verdicts):
        call = {
            "key": verdict.get("key"),
            "place": verdict["place"],
            "label": verdict.get("label") or "defect",
        }
        defect = _defect(fact, call, place)
        defect["Verification"] = _VERDICTS.get(verdict["verdict"], "NotVerifiedYet")
        defect["VerificationDetail"] = verdict.get("remark")
        defects.append(defect)
    result = {"passed": "Passed", "failed": "Failed"}.get(data.get("outcome") or "", "Error")
    look: Body = {
        "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\nreview"),
        "Result": result,
        "InspectionStartTime": units.when(data.get("inspected")),
        "DefectsFound": defects,
        "Symptoms": [],
        "Measurements": [],
    }
    found = [unit | {"OverallResult": result, "Inspections": [look]} for unit in units.units(data)]
    return [_inspected(fact, "Human", found)]


def _inspected(fact: Fact, method: str, found: list[dict[str, Any]]) -> Message:
    program = fact.data.get("program") or {}
    body = {
        "TransactionId": units.transaction(fact),
        "InspectionMethod": method,
        "SamplingInformation": None,
        "Inspector": units.operator(fact.data),
        "RecipeName": program.get("name"),
        "RecipeRevision": program.get("revision"),
        "InspectedUnits": found,
    }
    return Message("CFX.Production.TestAndInspection.UnitsInspected", body)


def tested(fact: Fact) -> list[Message]:
    """inspection.test_completed."""
    data = fact.data
    program = data.get("program") or {}
    result = _OUTCOMES[data["outcome"]]
    test: Body = {
        "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\ntest"),
        "TestName": program.get("name"),
        "TestStartTime": units.when(data.get("started")),
        "TestEndTime": units.when(data.get("ended")),
        "Result": result,
        "Error": data.get("reason"),
        "TestConditions": [],
        "SymptomsFound": [],
        "DefectsFound": [_defect(fact, call, place) for place, call in enumerate(data.get("calls") or ())],
        "Measurements": [
            units.measurement(fact, value, "step", place)
            for place, value in enumerate(data.get("steps") or ())
        ],
    }
    body = {
        "TransactionId": units.transaction(fact),
        "TestMethod": _TESTS.get(data["method"], "Automated"),
        "Tester": units.operator(data),
        "RecipeName": program.get("name"),
        "RecipeRevision": program.get("revision"),
        "SamplingInformation": None,
        "TestedUnits": [unit | {"OverallResult": result, "Tests": [test]} for unit in units.units(data)],
    }
    return [Message("CFX.Production.TestAndInspection.UnitsTested", body)]


def reworked(fact: Fact) -> list[Message]:
    """inspection.rework_performed."""
    data = fact.data
    done = {"completed": "RepairSuccessful", "failed": "UnableToRepair"}.get(
        data.get("outcome") or "", "Error"
    )
    repairs = []
    for place, action in enumerate(data.get("actions") or ()):
        repairs.append(
            {
                "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\naction\n{place}"),
                "RepairName": action["action"],
                "RepairStartTime": units.when(data.get("started")),
                "RepairEndTime": units.when(data.get("ended")),
                "Comments": action.get("remark"),
                "ComponentOfInterest": units.component(action["place"]),
                "RelatedDefectIdentifiers": [action["defect"]] if action.get("defect") else [],
                "Result": _REPAIRED.get(action.get("verdict") or "", "Error"),
            }
        )
    body = {
        "TransactionId": units.transaction(fact),
        "RepairOperator": units.operator(data),
        "RepairedUnits": [unit | {"OverallResult": done, "Repairs": repairs} for unit in units.units(data)],
    }
    return [Message("CFX.Production.ReworkAndRepair.UnitsRepaired", body)]


def _defect(fact: Fact, call: Data, number: int) -> Body:
    place = call["place"]
    found: Body = {
        "UniqueIdentifier": call.get("key") or unique_id(f"{fact.source}\n{fact.id}\ncall\n{number}"),
        "DefectCode": call["label"],
        "Description": call.get("defect"),
        "ComponentOfInterest": units.component(place),
        "RegionOfInterest": None,
        "DefectImages": [
            {"MimeType": picture.get("media_type"), "ImageURL": picture["href"]}
            for picture in call.get("pictures") or ()
        ],
        "RelatedMeasurements": [
            units.measurement(fact, value, f"call {number}", place)
            for place, value in enumerate(call.get("values") or ())
        ],
    }
    if place.get("x_mm") is not None and place.get("y_mm") is not None:
        found["RegionOfInterest"] = {
            "StartPointX": place["x_mm"],
            "StartPointY": place["y_mm"],
            "RegionSegments": [],
        }
    return found

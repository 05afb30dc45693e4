"""Boards, places, measured values and materials of an event as CFX names them."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple

from broker_bridge.adapters.cfx.protocol import scalars
from broker_bridge.adapters.cfx.protocol.writing import span_text, time_text, unique_id
from broker_bridge.events.fact import Fact

Data = Mapping[str, Any]
Body = dict[str, Any]


class Message(NamedTuple):
    """A message to be sent; `station` in whose name, None: the event's own."""

    name: str
    body: Body
    station: str | None = None


_STATUS: Final = {"good": "Pass", "failed": "Fail", "skipped": "Skip"}
_PLAIN: Final = ("board", "panel", "label", "assembly")


def guid_of(fact: Fact, key: str | None) -> str:
    """A GUID for a key of the source: the key itself where it is one, else one made of it."""
    if key is None:
        return unique_id(f"{fact.source}\n{fact.id}")
    try:
        found = scalars.guid(key)
    except ValueError:
        found = None
    return found or unique_id(f"{fact.source}\n{key}")


def transaction(fact: Fact) -> str:
    """The transaction of an event; one of its own where the source states none."""
    return guid_of(fact, fact.data.get("transaction"))


def own_name(board: Data) -> str | None:
    """The identifier of a board that is neither its panel's nor a transfer id."""
    names = board.get("identifiers") or ()
    for kind in _PLAIN:
        for name in names:
            if name["kind"] == kind:
                return str(name["value"])
    for name in names:
        if name["kind"] not in ("transfer", "carrier", "magazine"):
            return str(name["value"])
    return None


def unit_of(board: Data) -> tuple[str | None, int | None]:
    """UnitIdentifier and position number of a board."""
    panel = (board.get("panel") or {}).get("value")
    number = board.get("position")
    if number is None:
        text = board.get("machine_position") or board.get("nest") or ""
        number = int(text) if text.isdecimal() and len(text) < 6 else None
    return own_name(board) or panel or _carrier(board), number


def travelling(data: Data) -> Body:
    """PrimaryIdentifier, HermesIdentifier, UnitCount and Units."""
    boards: Sequence[Data] = data.get("boards") or ()
    panels = [board["panel"]["value"] for board in boards if board.get("panel")]
    wholes = [board for board in boards if not board.get("panel")]
    primary = panels[0] if panels else next((name for board in wholes if (name := own_name(board))), None)
    primary = primary or next((name for board in boards if (name := _carrier(board))), None)
    hermes = next(
        (
            name["value"]
            for board in boards
            for name in board.get("identifiers") or ()
            if name["kind"] == "transfer"
        ),
        None,
    )
    parts = [board for board in boards if board.get("panel")] or (wholes if not panels else [])
    units = [unit_position(board) for board in parts if unit_of(board)[0] is not None]
    return {
        "PrimaryIdentifier": primary,
        "HermesIdentifier": hermes,
        "UnitCount": len(units),
        "Units": units,
    }


def unit_position(board: Data) -> Body:
    """A UnitPosition."""
    name, number = unit_of(board)
    found: Body = {"UnitIdentifier": name, "PositionNumber": 1 if number is None else number}
    if status := _STATUS.get(board.get("state") or ""):
        found["Status"] = status
    return found


def units(data: Data) -> list[Body]:
    """UnitIdentifier and UnitPositionNumber of each board that has a place of its own; of the whole where none has."""
    boards: Sequence[Data] = data.get("boards") or ()
    parts = [board for board in boards if board.get("panel")] or list(boards)
    found = []
    for board in parts:
        name, number = unit_of(board)
        found.append({"UnitIdentifier": name, "UnitPositionNumber": number})
    return found or [{"UnitIdentifier": None, "UnitPositionNumber": None}]


def _carrier(board: Data) -> str | None:
    for name in board.get("identifiers") or ():
        if name["kind"] == "carrier":
            return str(name["value"])
    return None


def stage(data: Data) -> Body | None:
    """A Stage by its name."""
    name = data.get("stage")
    return {"StageSequence": 0, "StageName": name, "StageType": "Work"} if name else None


def order(data: Data) -> Body | None:
    """A WorkOrderIdentifier."""
    if data.get("order") is None:
        return None
    return {"WorkOrderId": data["order"], "Batch": data.get("order_batch")}


def operator(data: Data) -> Body | None:
    """An Operator by his pseudonym, where it may leave."""
    name = data.get("operator")
    if name is None:
        return None
    return {
        "OperatorIdentifier": name,
        "ActorType": "Human",
        "LastName": None,
        "FirstName": None,
        "LoginName": None,
    }


def designator(place: Data | None) -> str | None:
    """A component designator: R1, or U2.11 for a lead."""
    if not place or not place.get("designator"):
        return None
    lead = place.get("termination")
    return f"{place['designator']}.{lead}" if lead else str(place["designator"])


def component(place: Data | None) -> Body | None:
    """A ComponentDesignator."""
    name = designator(place)
    part = (place or {}).get("part")
    if name is None and part is None:
        return None
    return {"ReferenceDesignator": name, "UnitPosition": None, "PartNumber": part}


def when(text: str | None) -> str | None:
    """A time of an event as CFX writes it."""
    return time_text(datetime.fromisoformat(text)) if text else None


def numeric(value: Data) -> Body:
    """A NumericValue."""
    unit = value.get("unit")
    found: Body = {"Value": value.get("value"), "ValueUnits": unit}
    for field, name in (
        ("nominal", "ExpectedValue"),
        ("lower", "MinimumAcceptableValue"),
        ("upper", "MaximumAcceptableValue"),
    ):
        found[name] = value.get(field)
        found[f"{name}Units"] = unit if value.get(field) is not None else None
    return found


_RESULT: Final = {"passed": "Passed", "failed": "Failed", "unknown": "Error"}


def measurement(fact: Fact, value: Data, key: str, sequence: int) -> Body:
    """A measurement of the kind that fits."""
    common = {
        "UniqueIdentifier": unique_id(f"{fact.source}\n{fact.id}\n{key}\n{sequence}"),
        "MeasurementName": value["name"],
        "TimeRecorded": None,
        "Sequence": sequence,
        "CRDs": designator(value.get("place")),
    }
    if outcome := value.get("outcome"):
        common["Result"] = _RESULT[outcome]
    if value.get("text") is not None:
        return {
            "$type": "CFX.Structures.TextMeasurement, CFX",
            "Value": value["text"],
            "ExpectedValue": value.get("expected"),
            **common,
        }
    return {"$type": "CFX.Structures.NumericMeasurement, CFX", "MeasuredValue": numeric(value), **common}


def package(material: Data | None) -> Body:
    """A MaterialPackage: CFX's short form, which names package, part and batch."""
    material = material or {}
    lots: Sequence[str] = material.get("lots") or ()
    parent = material.get("parent")
    return {
        "UniqueIdentifier": material.get("id"),
        "InternalPartNumber": material.get("part"),
        "Quantity": material.get("quantity"),
        "LeadingMaterialPackage": {"UniqueIdentifier": parent} if parent else None,
        "BatchId": lots[0] if lots else None,
    }


def detail(material: Data) -> Body:
    """A MaterialPackageDetail."""
    lots: Sequence[str] = material.get("lots") or ()
    return {
        "UniqueIdentifier": material.get("id"),
        "InternalPartNumber": material.get("part"),
        "Manufacturer": material.get("maker"),
        "ManufacturerPartNumber": material.get("maker_part"),
        "ManufacturerLotCode": lots[0] if lots else None,
        "BatchId": next(iter(lots[1:]), None),
        "Vendor": material.get("supplier"),
        "ExpiryDate": when(material.get("expires")),
        "Units": material.get("unit"),
        "Quantity": material.get("quantity"),
    }


def location(feeding: Data | None, *, carrier_only: bool = False) -> Body | None:
    """A place to take from: slot and feeder."""
    if not feeding or not any(feeding.get(name) for name in ("slot", "subslot", "feeder")):
        return None
    feeder, lane = feeding.get("feeder"), feeding.get("subslot")
    information: Body | None = None
    if lane is not None and lane.isdecimal() and len(lane) < 6:
        information = {
            "$type": "CFX.Structures.SMTPlacement.SMDTapeFeeder, CFX",
            "UniqueIdentifier": feeder,
            "LaneNumber": int(lane),
        }
    elif feeder is not None:
        information = {"UniqueIdentifier": feeder, "Name": None}
    slot = feeding.get("slot")
    return {"LocationIdentifier": slot, "LocationName": slot, "CarrierInformation": information}


def seconds(value: float) -> str:
    """A time span."""
    return span_text(timedelta(seconds=value))

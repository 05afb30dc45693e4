"""Events of material to messages."""

from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import units
from broker_bridge.outlets.cfx.units import Body, Message

_STORAGE: Final = "CFX.Materials.Storage"
_EXPOSED: Final = {
    "opened": "MaterialsOpened",
    "dry_stored": "MaterialsPlacedInDryStorage",
    "restored": "MaterialsRestored",
    "expired": "MaterialsExpired",
}
_LEVELS: Final = {"1", "2", "2a", "3", "4", "5", "5a", "6"}


def set_up(fact: Fact) -> list[Message]:
    """material.set_up."""
    return [
        Message(
            f"{_STORAGE}.MaterialsLoaded",
            {"Materials": [_place(fact.data["feeding"], fact.data["material"])]},
        )
    ]


def removed(fact: Fact) -> list[Message]:
    """material.removed: by the package's or the feeder's identifier."""
    name = fact.data["material"].get("id")
    if name is not None:
        return [Message(f"{_STORAGE}.MaterialsUnloaded", {"MaterialPackageIdentifiers": [name]})]
    feeder = fact.data["feeding"].get("feeder")
    if feeder is not None:
        return [Message(f"{_STORAGE}.MaterialCarriersUnloaded", {"CarrierIdentifiers": [feeder]})]
    return []


def low(fact: Fact) -> list[Message]:
    """material.low, where it is empty."""
    if not fact.data.get("empty"):
        return []
    place = _place(fact.data["feeding"], fact.data["material"])
    return [Message(f"{_STORAGE}.MaterialsEmpty", {"EmptyMaterials": [place]})]


def spliced(fact: Fact) -> list[Message]:
    """material.spliced."""
    data = fact.data
    body = {
        "DepletedMaterial": _place(data["feeding"], data.get("previous")) if data.get("previous") else None,
        "NewlyActiveMaterial": _place(data["feeding"], data["material"]),
    }
    return [Message(f"{_STORAGE}.SplicePointDetected", body)]


def installed(fact: Fact) -> list[Message]:
    """material.installed: for each board."""
    data = fact.data
    feeding = data.get("feeding") or {}
    tool: Body | None = None
    if feeding.get("nozzle") or feeding.get("head"):
        tool = {"UniqueIdentifier": feeding.get("nozzle"), "HeadId": feeding.get("head")}
    on: list[Body] = [
        {"ReferenceDesignator": name} for place in data["places"] if (name := units.designator(place))
    ]
    if tool is not None:
        kind = "CFX.Structures.SMTPlacement.SMTInstalledComponent, CFX"
        on = [{"$type": kind, **one, "HeadAndNozzle": tool} for one in on]
    off = [
        {"ReferenceDesignator": name}
        for place in data.get("not_installed") or ()
        if (name := units.designator(place))
    ]
    body = {
        "TransactionId": units.transaction(fact),
        "InstalledMaterials": [
            unit
            | {
                "QuantityInstalled": data.get("quantity"),
                "Material": units.package(data["material"]),
                "CarrierLocation": units.location(feeding),
                "InstalledComponents": on,
                "NonInstalledComponents": off,
            }
            for unit in units.units(data)
        ],
    }
    return [Message("CFX.Production.Assembly.MaterialsInstalled", body)]


def consumed(fact: Fact) -> list[Message]:
    """material.consumed: applied to boards, or used up at a place."""
    data = fact.data
    if not data.get("boards"):
        place = _place({}, data["material"])
        used = {
            "MaterialLocation": place,
            "QuantityUsed": data.get("amount"),
            "RemainingQuantity": data["material"].get("quantity"),
        }
        return [Message("CFX.Materials.Management.MaterialsConsumed", {"ConsumedMaterials": [used]})]
    body = {
        "TransactionId": units.transaction(fact),
        "AppliedMaterials": [
            {
                "$type": "CFX.Structures.AppliedMaterial, CFX",
                **unit,
                "QuantityInstalled": data.get("amount"),
                "Material": units.package(data["material"]),
                "QuantityApplied": {"Value": data.get("amount"), "ValueUnits": data.get("unit")},
            }
            for unit in units.units(data)
        ],
    }
    return [Message("CFX.Production.Application.MaterialsApplied", body)]


def removed_from_board(fact: Fact) -> list[Message]:
    """material.removed_from_board."""
    data = fact.data
    off = [{"ReferenceDesignator": name} for place in data["places"] if (name := units.designator(place))]
    body = {
        "TransactionId": units.transaction(fact),
        "UninstalledMaterials": [
            unit
            | {
                "QuantityUninstalled": float(len(off)),
                "Reason": "Other",
                "Material": units.package(data.get("material")),
                "UninstalledComponents": off,
            }
            for unit in units.units(data)
        ],
    }
    return [Message("CFX.Production.Assembly.MaterialsUninstalled", body)]


def exposed(fact: Fact) -> list[Message]:
    """material.exposed: opened, stored dry, restored, expired."""
    data = fact.data
    name = _EXPOSED.get(data["change"])
    if name is None:
        return []
    moisture: Body = {
        "$type": "CFX.Structures.MaterialPackageMSDData, CFX",
        "ExpirationDateTime": units.when(data.get("until")),
    }
    if data.get("remaining_h") is not None:
        moisture["RemainingExposureTime"] = units.seconds(data["remaining_h"] * 3600)
    if data.get("level") in _LEVELS:
        moisture["MSDLevel"] = "MSL" + data["level"].upper()
    body = {"Materials": [units.detail(data["material"]) | {"MaterialData": moisture}]}
    return [Message(f"CFX.Materials.Management.MSDManagement.{name}", body)]


def _place(feeding: units.Data, material: units.Data | None) -> Body:
    where = units.location(feeding) or {
        "LocationIdentifier": None,
        "LocationName": None,
        "CarrierInformation": None,
    }
    return where | {"MaterialPackage": units.package(material)}

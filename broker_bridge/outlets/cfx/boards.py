"""Events of boards to messages."""

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import units
from broker_bridge.outlets.cfx.units import Body, Message

_PRODUCTION = "CFX.Production"
_FAILED = {"good": 1, "failed": 2}
_FLIPPED = {"top": 1, "bottom": 2}


def arrived(fact: Fact) -> list[Message]:
    """board.arrived."""
    return [
        Message(f"{_PRODUCTION}.UnitsArrived", units.travelling(fact.data) | {"Lane": fact.data.get("lane")})
    ]


def departed(fact: Fact) -> list[Message]:
    """board.departed."""
    return [
        Message(f"{_PRODUCTION}.UnitsDeparted", units.travelling(fact.data) | {"Lane": fact.data.get("lane")})
    ]


def transferred(fact: Fact) -> list[Message]:
    """board.transferred, where both ends say complete: it left here and arrived there."""
    data = fact.data
    if {data.get("giver"), data.get("taker")} - {None} != {"complete"}:
        return []
    boards = units.travelling(data)
    return [
        Message(f"{_PRODUCTION}.UnitsDeparted", boards | {"Lane": data.get("lane")}),
        Message(f"{_PRODUCTION}.UnitsArrived", boards | {"Lane": data.get("to_lane")}, data["to_station"]),
    ]


def introduced(fact: Fact) -> list[Message]:
    """board.introduced, and work.order_assigned: units with their work order."""
    body: Body = {"TransactionID": None, **units.travelling(fact.data)}
    body["WorkOrderIdentifier"] = units.order(fact.data)
    return [Message(f"{_PRODUCTION}.UnitsInitialized", body)]


def identified(fact: Fact) -> list[Message]:
    """board.identified: identifiers that were read, or characteristics that were put in."""
    boards = fact.data.get("boards") or ()
    marked = [board for board in boards if board.get("characteristics")]
    if not marked:
        body = units.travelling(fact.data)
        del body["UnitCount"]
        return [Message("CFX.Sensor.Identification.IdentifiersRead", body)]
    people = []
    for board in marked:
        name, number = units.unit_of(board)
        marks = [{"Name": one["name"], "Value": one["value"]} for one in board["characteristics"]]
        people.append({"UnitIdentifier": name, "UnitPositionNumber": number, "Characteristics": marks})
    body = {"TransactionId": units.transaction(fact), "PersonalizedUnits": people}
    return [Message(f"{_PRODUCTION}.Assembly.UnitsPersonalized", body)]


def dispositioned(fact: Fact) -> list[Message]:
    """board.dispositioned: scrap alone has a message."""
    data = fact.data
    if data["disposition"] != "scrap":
        return []
    body = units.travelling(data)
    for unit in body["Units"]:
        unit["Status"] = "Scrap"
    comments = data.get("reason")
    return [
        Message(
            f"{_PRODUCTION}.UnitsDisqualified",
            body | {"Reason": "DefectiveRepairNotPossible", "Comments": comments},
        )
    ]


def magazine(fact: Fact) -> list[Message]:
    """board.magazine_handled: arrived and departed."""
    data = fact.data
    names = {"arrived": "MagazineArrived", "departed": "MagazineDeparted"}
    if data["act"] not in names:
        return []
    contents = data.get("contents")
    body = {
        "MagazineData": {
            "MagazineId": data["magazine"],
            "HermesUnits": None if contents is None else [_hermes(one) for one in contents],
        }
    }
    return [Message(f"{_PRODUCTION}.Hermes.{names[data['act']]}", body)]


def _hermes(slotted: units.Data) -> Body:
    board = slotted["board"]
    slot = slotted["slot"]
    found: Body = {
        "SlotId": int(slot) if slot.isdecimal() and len(slot) < 9 else 0,
        "FailedBoard": _FAILED.get(board.get("state") or "", 0),
        "FlippedBoard": _FLIPPED.get(board.get("side_up") or "", 0),
    }
    for name in board.get("identifiers") or ():
        if name["kind"] == "transfer":
            found["BoardId"], found["BoardIdCreatedBy"] = name["value"], name.get("issuer")
        elif name["kind"] not in ("carrier", "magazine"):
            side = "BottomBarcode" if name.get("side") == "bottom" else "TopBarcode"
            found.setdefault(side, name["value"])
    return found

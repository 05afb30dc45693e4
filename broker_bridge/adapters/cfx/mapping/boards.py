"""Boards: arrived, departed, identified, loaded, in magazines, disqualified."""

from typing import Final, Literal

from broker_bridge.adapters.cfx.mapping import naming
from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.protocol.node import Node
from broker_bridge.adapters.cfx.protocol.words import DISQUALIFICATION, STATUS, UNIT_STATUS
from broker_bridge.events.base import Board, Characteristic, Identifier, Part, Side
from broker_bridge.events.board import (
    BoardArrived,
    BoardDeparted,
    BoardDispositioned,
    BoardHeld,
    BoardIdentified,
    BoardIntroduced,
    BoardMagazineHandled,
    Slotted,
)
from broker_bridge.events.source import SourceKept
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.work import WorkOrderAssigned

_SIDES: Final[dict[int, Side]] = {1: "top", 2: "bottom"}
"""FlippedBoard of IPC-HERMES-9852."""


def arrived(telling: Telling) -> None:
    """UnitsArrived."""
    telling.say(BoardArrived, boards=telling.travelling(), how="unknown")


def departed(telling: Telling) -> None:
    """UnitsDeparted: that it left says nothing of what was done."""
    telling.say(BoardDeparted, boards=telling.travelling(), how="unknown")


def initialized(telling: Telling) -> None:
    """UnitsInitialized: units entered the process, or got their names in the middle of a transaction."""
    order, batch = telling.order(telling.body)
    boards = telling.travelling()
    kind = BoardIntroduced if telling.transaction is None else BoardIdentified
    telling.say(kind, boards=boards, order=order, order_batch=batch)


def identified(telling: Telling) -> None:
    """IdentifiersRead: a reader has just read them."""
    telling.say(BoardIdentified, boards=telling.travelling("read"), act="read")


def told(telling: Telling) -> None:
    """A question or an answer that names the board lying before the machine."""
    result = telling.body.node("Result")
    if result is not None and result.word("Result", STATUS) not in ("Success", "PartialSuccess"):
        kept(telling)
        return
    boards = telling.travelling("read" if result is not None else "passed_on")
    if any(naming.named(board) for board in boards):
        telling.say(BoardIdentified, boards=boards)
    else:
        kept(telling)


def not_read(telling: Telling) -> None:
    """IdentifiersNotRead: a reader found no code at some positions."""
    numbers = telling.body.texts("PositionsNotRead")
    text = f"no identifier read at positions {', '.join(numbers)}" if numbers else "no identifier read"
    telling.say(StationAlarmRaised, code="IdentifiersNotRead", text=text, severity="warning")


def loaded(telling: Telling) -> None:
    """UnitsLoaded: put onto a carrier, by hand or by a machine."""
    telling.say(BoardArrived, boards=_on_carrier(telling), how="loaded")


def unloaded(telling: Telling) -> None:
    """UnitsUnloaded: taken off a carrier."""
    telling.say(BoardDeparted, boards=_on_carrier(telling), how="unloaded")


def _on_carrier(telling: Telling) -> tuple[Board, ...]:
    carrier = naming.identifier(telling.body.text("UniqueIdentifier"), telling.naming, telling.notes)
    names = () if carrier is None else (Identifier(kind="carrier", value=carrier, how="passed_on"),)
    nodes = telling.body.nodes("Units")
    telling.body.whole("UnitCount")
    boards = []
    for node, one in zip(nodes, telling.units(nodes), strict=True):
        own = telling.naming.labels if telling.naming.labels != "carrier" else None
        name = (
            (Identifier(kind=own or "label", value=one.identifier, how="passed_on"),)
            if one.identifier
            else ()
        )
        nest = node.text("PositionName") or (None if one.number is None else str(one.number))
        boards.append(Board(identifiers=(*name, *names), nest=nest, state=one.state))
    if not boards and names:
        boards = [Board(identifiers=names)]
    return tuple(boards)


def personalized(telling: Telling) -> None:
    """UnitsPersonalized: characteristics were put into units."""
    nodes = telling.body.nodes("PersonalizedUnits")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        marks = tuple(
            Characteristic(name=name, value=value)
            for one in node.nodes("Characteristics")
            if (name := one.text("Name")) and (value := one.text("Value"))
        )
        put = tuple(board.model_copy(update={"characteristics": marks}) for board in boards)
        telling.say(BoardIdentified, boards=put, act="applied")


def disqualified(telling: Telling) -> None:
    """UnitsDisqualified. Only what is stated as scrap is scrap; otherwise it is held, with the machine's reason."""
    words = [
        text
        for text in (
            telling.body.word("Reason", DISQUALIFICATION),
            telling.body.long_text("Comments"),
        )
        if text
    ]
    reason = "disqualified: " + (": ".join(words) or "no reason stated")
    boards = telling.travelling()
    scrapped = [node.word("Status", UNIT_STATUS) == "Scrap" for node in telling.body.nodes("Units")]
    if scrapped and all(scrapped):
        telling.say(BoardDispositioned, boards=boards, disposition="scrap", reason=reason[:8192])
    else:
        telling.say(BoardHeld, boards=boards, reason=reason[:8192])


def magazine_arrived(telling: Telling) -> None:
    """MagazineArrived."""
    _magazine(telling, "arrived")


def magazine_departed(telling: Telling) -> None:
    """MagazineDeparted."""
    _magazine(telling, "departed")


def _magazine(telling: Telling, act: Literal["arrived", "departed"]) -> None:
    data = telling.body.node("MagazineData")
    name = data.text("MagazineId") if data is not None else None
    if data is None or name is None:
        raise telling.body.wrong("MagazineData", None, "names no magazine")
    contents = None
    if data.get("HermesUnits") is not None:
        contents = tuple(
            Slotted(slot=node.text("SlotId") or str(place), board=hermes_board(node, telling))
            for place, node in enumerate(data.nodes("HermesUnits"), 1)
        )
    telling.say(BoardMagazineHandled, boards=(), magazine=name, act=act, contents=contents)


def hermes_board(node: Node, telling: Telling) -> Board:
    """A board as IPC-HERMES-9852 describes it."""
    names = []
    transfer = naming.transfer_id(node.text("BoardId"), telling.notes)
    if transfer is not None:
        issuer = node.text("BoardIdCreatedBy")
        names.append(Identifier(kind="transfer", value=transfer, how="passed_on", issuer=issuer))
    kind = telling.naming.labels if telling.naming.labels in ("panel", "board") else "label"
    for field, side in (("TopBarcode", "top"), ("BottomBarcode", "bottom")):
        text = naming.identifier(node.text(field), telling.naming, telling.notes)
        if text is not None:
            names.append(Identifier(kind=kind, value=text, how="passed_on", side=side))
    flipped = node.whole("FlippedBoard")
    failed = node.whole("FailedBoard")
    return Board(
        identifiers=tuple(names),
        side_up=None if flipped is None else _SIDES.get(flipped),
        state={1: "good", 2: "failed"}.get(failed or 0),
    )


def ordered(telling: Telling) -> None:
    """An answer of Hermes.GetWorkOrderData that names the board it is about."""
    unit = telling.body.node("HermesUnit")
    order, batch = telling.order(telling.body)
    board = hermes_board(unit, telling) if unit is not None else Board()
    if unit is None or order is None or not board.identifiers:
        kept(telling)
        return
    product = telling.body.text("ProductTypeId")
    telling.say(
        WorkOrderAssigned,
        boards=(board,),
        order=order,
        order_batch=batch,
        part=Part(number=product) if product else None,
    )


def kept(telling: Telling) -> None:
    """A message of which the record has no words: its bytes are kept as they are."""
    telling.say(SourceKept, boards=(), native=telling.envelope.name[:512])

"""What the truth says when a panel ends a visit, gets an identifier, or is given up."""

from collections.abc import Collection

from broker_bridge.simulate.model.panels import Board, Panel
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.stations import LANE


def tell_visit(
    shop: Shop,
    station: str,
    place: str,
    panel: Panel,
    outcome: str,
    exceptions: tuple[str, Collection[str]] = ("", ()),
) -> None:
    """End the visit that began at `panel.arrived`, for every board of the panel.

    `exceptions`: an outcome and the serials that have it instead. Crossed-out boards come out as `skipped`, unless the
    whole panel is scrapped.
    """
    other, serials = exceptions
    groups: dict[str, list[str]] = {}
    for board in panel.boards:
        own = (
            "skipped"
            if board.skipped and outcome != "scrapped"
            else other
            if board.serial in serials
            else outcome
        )
        groups.setdefault(own, []).append(board.serial)
    number = panel.count_visit(station)
    for own, members in groups.items():
        shop.tell(
            "visit",
            tuple(members),
            station=station,
            place=place,
            lane=LANE,
            side=panel.side.name,
            **{"pass": number},
            arrived=panel.arrived,
            departed=shop.now,
            outcome=own,
        )


def tell_board(shop: Shop, panel: Panel, board: Board) -> None:
    """Write what a board is and all its identifiers so far."""
    shop.tell(
        "board",
        (board.serial,),
        identifiers=list(board.identifiers),
        panel=panel.code,
        position=board.position,
        side="both",
        part=panel.part.number,
        work_order=panel.order.name,
        purpose=board.purpose,
    )


def renew(shop: Shop, station: str, panel: Panel) -> None:
    """Give a panel a new transfer id at `station`: nobody passed the old one on (IPC-HERMES-9852)."""
    panel.transfer_id = shop.new_transfer_id(station)
    panel.created_by = station
    panel.passed_on = ""
    panel.knows_boards = False
    panel.failed = 0
    for board in panel.boards:
        board.identifiers.append({"kind": "transfer_id", "value": panel.transfer_id})
        tell_board(shop, panel, board)


def turn(shop: Shop, station: str, panel: Panel) -> None:
    """A hand puts the panel in the wrong way round; it stays so until it leaves the line."""
    panel.turned = not panel.turned
    shop.fault("turned", station, panel.code, turned=panel.turned)


def give_up(shop: Shop, station: str, panel: Panel) -> None:
    """Take a panel out for good; it lies at `station` without having arrived anywhere."""
    panel.order.gone += 1
    panel.arrived = shop.now
    tell_visit(shop, station, "bench", panel, "scrapped")
    shop.census.removed += 1
    shop.orders_changed.fire()

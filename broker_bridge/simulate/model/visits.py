"""What the truth says when a panel ends a visit, gets an identifier, or is given up."""

from collections.abc import Collection, Iterable

from broker_bridge.simulate.model.panels import Board, Panel
from broker_bridge.simulate.model.shop import Shop
from broker_bridge.simulate.stations import LANE


def tell_visit(
    shop: Shop, station: str, place: str, panel: Panel, outcome: str, failed: Collection[str] = ()
) -> None:
    """End the visit that began at `panel.arrived`, for every board of the panel.

    The serials in `failed` come out as `failed` instead; crossed-out boards as `skipped`.
    """
    groups: dict[str, list[str]] = {}
    for board in panel.boards:
        own = "skipped" if board.skipped else "failed" if board.serial in failed else outcome
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


def tell_scrap(shop: Shop, station: str, boards: Iterable[Board]) -> None:
    """Write to the truth that boards are thrown away."""
    serials = tuple(board.serial for board in boards)
    shop.tell("disposition", serials, station=station, at=shop.now, disposition="scrap")


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
    """Take a panel out for good, after its visit at `station`."""
    if panel.side is panel.part.sides[0]:
        panel.order.gone += 1
    tell_scrap(shop, station, panel.boards)
    shop.census.removed += 1
    shop.orders_changed.fire()

"""The boards that were seen last, for whoever has nothing to scan. Pure."""

from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.live.picture import View
from broker_bridge.trace.mentions import Node, Slot
from broker_bridge.web.pages import addresses

_MOST: Final = 8


class Seen(NamedTuple):
    """A board."""

    label: str
    address: str
    station: str
    time: datetime


def seen_last(view: View) -> list[Seen]:
    """Newest first, each board once."""
    found: dict[str, Seen] = {}
    visits = [
        (visit, row.station.name)
        for _, rows in view.lines
        for row in rows
        for visit in row.station.visits
        if visit.label
    ]
    for visit, station in sorted(visits, key=lambda pair: pair[0].last, reverse=True):
        nodes = sorted((knot for knot in visit.knots if isinstance(knot, Node)), key=_rank)
        slots = [knot for knot in visit.knots if isinstance(knot, Slot)]
        if nodes:
            address = addresses.board(nodes[0].value, nodes[0].kind)
        elif slots and isinstance(slots[0].panel, Node):
            address = addresses.board(slots[0].panel.value, slots[0].panel.kind, slots[0].position)
        else:
            continue
        found.setdefault(address, Seen(visit.label, address, station, visit.last))
        if len(found) == _MOST:
            break
    return list(found.values())


def _rank(node: Node) -> tuple[int, str]:
    order = ("board", "panel", "assembly", "customer_serial", "label")
    return (order.index(node.kind) if node.kind in order else len(order), node.value)

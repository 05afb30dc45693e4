"""Which events are sent as which messages.

Types that are not here have no message in the standard that says what they say: they are passed over. So is a state of one
that has none (a disposition other than scrap). deploy/CFX.md lists both, and the fields that no message carries.
"""

from collections.abc import Callable
from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.outlets.cfx import boards, inspection, material, station, work
from broker_bridge.outlets.cfx.units import Message

SENT: Final[dict[str, Callable[[Fact], list[Message]]]] = {
    "board.arrived": boards.arrived,
    "board.departed": boards.departed,
    "board.dispositioned": boards.dispositioned,
    "board.identified": boards.identified,
    "board.introduced": boards.introduced,
    "board.magazine_handled": boards.magazine,
    "board.transferred": boards.transferred,
    "inspection.completed": inspection.inspected,
    "inspection.reviewed": inspection.reviewed,
    "inspection.rework_performed": inspection.reworked,
    "inspection.test_completed": inspection.tested,
    "material.consumed": material.consumed,
    "material.exposed": material.exposed,
    "material.installed": material.installed,
    "material.low": material.low,
    "material.removed": material.removed,
    "material.removed_from_board": material.removed_from_board,
    "material.set_up": material.set_up,
    "material.spliced": material.spliced,
    "reading.recorded": work.recorded,
    "station.alarm_cleared": station.alarm_cleared,
    "station.alarm_raised": station.alarm_raised,
    "station.program_changed": station.program_changed,
    "station.state_changed": station.state_changed,
    "work.completed": work.completed,
    "work.order_assigned": boards.introduced,
    "work.print_attempted": work.printed,
    "work.started": work.started,
    "work.stencil_cleaned": work.stencil_cleaned,
}


def messages(fact: Fact) -> list[Message]:
    """The messages an event is sent as, in order; none where the standard has none for it."""
    make = SENT.get(fact.type)
    return make(fact) if make is not None else []

"""Where each component of each board came from: slot, reel, lot, nozzle, as the placement machines tell of it.

A machine that tells what each slot fed a panel, and not which board got which reel, is read by its program (which places a slot
feeds) and by arithmetic where it says that it fills board after board; where that does not add up the reel is not known.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from broker_bridge.events.fact import Fact
from broker_bridge.queries.columns import Progress, holding_facts, instant
from broker_bridge.queries.columns_boards import Boards
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

_TYPES = ("material.planned", "material.installed", "station.program_changed")


class Placed(NamedTuple):
    """What is known of one component; None: not known."""

    station: str | None
    slot: str | None
    nozzle: str | None
    reel: str | None
    lot: str | None


class _Plan(NamedTuple):
    """What a slot is to feed."""

    slot: str
    nozzle: str | None
    places: tuple[str, ...]


class Placements:
    """By board and designator."""

    def __init__(self) -> None:
        self._of: dict[int, dict[str, Placed]] = {}

    def of(self, board: int) -> Mapping[str, Placed]:
        """The components of a board."""
        return self._of.get(board, {})

    def put(self, board: int, designator: str, placed: Placed) -> None:
        """Note one component; what was said earlier of the same one is replaced."""
        self._of.setdefault(board, {})[designator] = placed


def read_placements(
    record: Record, boards: Boards, as_of: AsOf, progress: Progress = lambda done, of: None
) -> Placements:
    """All placements of a record, with the numbers of `boards`."""
    plans: dict[tuple[str, str], dict[str, _Plan]] = {}
    found = Placements()
    fed: dict[tuple[str, str], tuple[tuple[int, ...], int, list[tuple[int, Fact]]]] = {}
    for fact in holding_facts(record, _TYPES, as_of, progress, "placements"):
        line, station = fact.source.rpartition("/")[0], fact.data.get("station")
        if station is None:
            continue
        key = line, station
        if fact.type == "station.program_changed":
            _end(fed.pop(key, None), plans.get(key, {}), found, boards)
            plans[key] = {}
        elif fact.type == "material.planned":
            _end(fed.pop(key, None), plans.get(key, {}), found, boards)
            feeding = fact.data.get("feeding") or {}
            places = tuple(p["designator"] for p in fact.data.get("places", ()) if p.get("designator"))
            if feeding.get("slot"):
                plans.setdefault(key, {})[feeding["slot"]] = _Plan(
                    feeding["slot"], feeding.get("nozzle"), places
                )
        else:
            named = boards.named(fact.data)
            if not named:
                continue
            places = fact.data.get("places") or ()
            if places:
                _direct(fact, named, places, plans.get(key, {}), found)
                continue
            open_ = fed.get(key)
            time = instant(fact.time) or 0
            if open_ is None or open_[0] != named or abs(time - open_[1]) > 1_000_000:
                _end(open_, plans.get(key, {}), found, boards)
                open_ = fed[key] = (named, time, [])
            open_[2].append((time, fact))
    for key, left in fed.items():
        _end(left, plans.get(key, {}), found, boards)
    return found


def _direct(
    fact: Fact,
    named: Sequence[int],
    places: Sequence[Mapping[str, Any]],
    plan: Mapping[str, _Plan],
    found: Placements,
) -> None:
    for place in places:
        designator = place.get("designator")
        if designator:
            for board in named:
                found.put(board, designator, _placed(fact, plan))


def _end(
    fed: tuple[tuple[int, ...], int, list[tuple[int, Fact]]] | None, plan: Mapping[str, _Plan], found: Placements,
    boards: Boards,
) -> None:  # fmt: skip
    """What the slots of a machine fed one panel, spread over its boards."""
    if fed is None:
        return
    by_slot: dict[str, list[Fact]] = {}
    for _, fact in fed[2]:
        by_slot.setdefault((fact.data.get("feeding") or {}).get("slot") or "", []).append(fact)
    populated = [board for board in fed[0] if board not in boards.crossed_out]
    for slot, facts in by_slot.items():
        places = plan[slot].places if slot in plan else ()
        spots = [(board, designator) for board in populated for designator in places]
        told = [_placed(fact, plan) for fact in facts]
        counts = [int(fact.data.get("quantity") or 0) for fact in facts]
        in_order = all(fact.data.get("sequence") == "board_by_board" for fact in facts)
        if len(set(told)) == 1:
            spread = told[:1] * len(spots)
        elif in_order and sum(counts) == len(spots):
            spread = [one for one, count in zip(told, counts, strict=True) for _ in range(count)]
        else:
            spread = [told[0]._replace(reel=None, lot=None)] * len(spots)
        for (board, designator), one in zip(spots, spread, strict=True):
            found.put(board, designator, one)


def _placed(fact: Fact, plan: Mapping[str, _Plan]) -> Placed:
    material, feeding = fact.data.get("material") or {}, fact.data.get("feeding") or {}
    slot: str | None = feeding.get("slot")
    planned = plan.get(slot) if slot else None
    nozzle = feeding.get("nozzle") or (planned.nozzle if planned else None)
    lots: Sequence[str] = material.get("lots") or ()
    return Placed(
        fact.data.get("station"), slot, nozzle, material.get("id"), lots[0] if len(lots) == 1 else None
    )

"""What ovens read while boards were inside."""

from bisect import bisect_left, bisect_right
from typing import NamedTuple

from broker_bridge.queries.columns import Progress, holding_facts, instant
from broker_bridge.queries.columns_boards import Boards
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf


class Inside(NamedTuple):
    """One stay of a board at a station that takes readings without naming boards."""

    station: str
    arrived: int
    departed: int
    readings: int
    outside: bool | None
    """A value outside its stated limits; None: no reading, or none with a limit."""


def read_oven(
    record: Record, boards: Boards, wanted: set[int], as_of: AsOf, progress: Progress = lambda done, of: None
) -> dict[int, list[Inside]]:
    """The stays of the wanted boards at stations with readings, in order of time."""
    times: dict[tuple[str, str], list[tuple[int, bool | None]]] = {}
    for fact in holding_facts(record, ("reading.recorded",), as_of, progress, "readings"):
        station = fact.data.get("station")
        if station and not fact.data.get("boards"):
            key = fact.source.rpartition("/")[0], station
            times.setdefault(key, []).append((instant(fact.time) or 0, _outside(fact.data["values"])))
    stays: dict[int, list[Inside]] = {}
    if not times:
        return stays
    arrived: dict[tuple[tuple[str, str], int], int] = {}
    instants = {
        key: [time for time, _ in sorted(found, key=lambda one: one[0])] for key, found in times.items()
    }
    ordered = {key: sorted(found, key=lambda one: one[0]) for key, found in times.items()}
    for fact in holding_facts(record, ("board.arrived", "board.departed"), as_of, progress, "transfers"):
        key = fact.source.rpartition("/")[0], fact.data.get("station") or ""
        if key not in times:
            continue
        time = instant(fact.time) or 0
        for board in boards.named(fact.data):
            if board not in wanted:
                continue
            if fact.type == "board.arrived":
                arrived[key, board] = time
            elif (since := arrived.pop((key, board), None)) is not None:
                first, last = bisect_left(instants[key], since), bisect_right(instants[key], time)
                said = [outside for _, outside in ordered[key][first:last] if outside is not None]
                outside = any(said) if said else None
                stays.setdefault(board, []).append(Inside(key[1], since, time, last - first, outside))
    return stays


def _outside(values: list[dict[str, object]]) -> bool | None:
    known = False
    for value in values:
        number, low, high = value.get("value"), value.get("lower"), value.get("upper")
        if value.get("outcome") == "failed":
            return True
        if isinstance(number, int | float) and (low is not None or high is not None):
            known = True
            if (isinstance(low, int | float) and number < low) or (
                isinstance(high, int | float) and number > high
            ):
                return True
    return False if known else None

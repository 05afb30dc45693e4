"""What every screen says of a station in the same words: does it need a hand, since when is it so, who is here, what is missing."""

from datetime import datetime

from broker_bridge.live.alarms import Alarm
from broker_bridge.live.clock import Clock
from broker_bridge.live.passages import Here
from broker_bridge.live.picture import Row
from broker_bridge.live.station import Gap, StationNow
from broker_bridge.live.waiting import standing
from broker_bridge.live.words import CAUSES


def needs_a_hand(row: Row) -> bool:
    """Whether somebody should go there."""
    station = row.station
    if station.unheard:
        return False
    down = station.said is not None and station.said.state == "unscheduled_down"
    cut = station.cut is not None and station.cut.silent
    return down or standing(station) is not None or cut or bool(station.empties)


def since(station: StationNow) -> datetime | None:
    """Since when its state is what it is."""
    if station.unheard:
        return station.heard
    if station.cut is not None and station.cut.silent:
        return station.cut.since
    if station.said is not None:
        return station.said.since
    if station.here:
        return station.here[0].since
    return station.left.at if station.left else None


def here_words(board: Here, label: str, clock: Clock) -> str:
    """A board that is there, called by `label`."""
    done = f", done {clock.time(board.done)}" if board.done else ""
    doubt = "" if board.sure else " (perhaps: its leaving may have been missed)"
    return f"{label} since {clock.time(board.since)}{done}{doubt}"


def gap_words(gap: Gap, clock: Clock) -> str:
    """What may be missing."""
    start = clock.time(gap.start) if gap.start else "a time not known"
    end = f"to {clock.time(gap.end)}" if gap.end else "and still open"
    detail = f": {gap.detail}" if gap.detail else ""
    return f"gap from {start} {end}, {CAUSES[gap.cause]}, {gap.source.rpartition('/')[2]}{detail}"


def alarm_words(alarm: Alarm, station: str, clock: Clock) -> str:
    """An alarm in one line; `station`: how it is called there, empty where that is clear."""
    state = f"over {clock.time(alarm.over)}" if alarm.over else "stands"
    times = f" {alarm.times}x" if alarm.times > 1 else ""
    severity = "" if alarm.severity == "unknown" else f" ({alarm.severity})"
    place = f"{station} " if station else ""
    return f"{clock.time(alarm.since)} {place}{state}{times}: {alarm.code}{severity} {alarm.text}".rstrip()

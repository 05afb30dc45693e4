"""Why a station waits, in one sentence, from nothing but what was said about it and its neighbours.

What is not known is left out: a station about which nobody says why it waits has no sentence, only its state.
"""

from datetime import timedelta
from typing import Final

from broker_bridge.live.alarms import SEVERE, Alarm
from broker_bridge.live.clock import Clock
from broker_bridge.live.passages import Here
from broker_bridge.live.plain import squeeze
from broker_bridge.live.station import StationNow
from broker_bridge.live.words import STATES

NOT_KNOWN: Final = "not known"
DOWN: Final = frozenset({"scheduled_down", "unscheduled_down", "engineering", "non_scheduled"})
_SETTLE: Final = timedelta(seconds=5)
"""A board that leaves this soon after it was done has not waited. Common practice, no source."""
_PATIENCE: Final = timedelta(seconds=30)
"""A station without a board for a shorter time than this is between two boards. Common practice, no source."""
_LABEL: Final = 24


def state_words(station: StationNow) -> str:
    """The state in words, as far as it was said."""
    return NOT_KNOWN if station.unheard else last_words(station)


def last_words(station: StationNow) -> str:
    """The state as it was when the station was heard last."""
    if station.cut is not None and station.cut.silent:
        return "not connected"
    if station.said is not None:
        return STATES[station.said.state]
    if any(board.sure for board in station.here):
        return "has a board"
    if station.tracked:
        return "perhaps a board" if station.here else "no board"
    return "nothing heard" if station.heard is None else "state not said"


def why(station: StationNow, before: StationNow | None, after: StationNow | None, clock: Clock) -> str:
    """Why it waits; empty when it does not, or when nothing was said that tells why.

    `before`, `after`: its neighbours in the line, None where they are not known.
    """
    if station.unheard:
        return f"silent since; before: {last_words(station)}"
    causes = [_cut(station, clock), _alarm(station, clock), _native(station), _empty(station, clock)]
    told = station.said is not None and (station.said.state in DOWN or station.said.state == "productive")
    if told or causes[0] or causes[1] or causes[3]:
        causes.append(_finished(station, after, clock))
    else:
        causes.append(_flow(station, before, after, clock))
    return "; ".join(cause for cause in causes if cause)


def _cut(station: StationNow, clock: Clock) -> str:
    cut = station.cut
    if cut is None:
        return ""
    detail = f" ({cut.detail})" if cut.detail else ""
    return f"machine not connected to {cut.adapter} since {clock.time(cut.since)}{detail}"


def standing(station: StationNow) -> Alarm | None:
    """The alarm that may be why it waits: the one its state names, else the newest severe one that is not over."""
    open_ = [alarm for alarm in station.alarms if alarm.over is None]
    if station.said is not None and station.said.alarm:
        for alarm in reversed(open_):
            if station.said.alarm in (alarm.key, alarm.code):
                return alarm
    severe = [alarm for alarm in open_ if alarm.severity in SEVERE]
    return severe[-1] if severe else None


def _alarm(station: StationNow, clock: Clock) -> str:
    alarm = standing(station)
    if alarm is None:
        return ""
    text = f" “{alarm.text}”" if alarm.text else ""
    return f"alarm {alarm.code}{text} since {clock.time(alarm.since)}"


def _native(station: StationNow) -> str:
    said = station.said
    if said is None or said.state == "productive":
        return ""
    return f"machine says “{said.native}{': ' + said.reason if said.reason else ''}”"


def _empty(station: StationNow, clock: Clock) -> str:
    if not station.empties:
        return ""
    first = min(station.empties, key=lambda empty: empty.since)
    more = f" and {len(station.empties) - 1} more" if len(station.empties) > 1 else ""
    return f"{first.slot} empty since {clock.time(first.since)}{more}"


def _finished(station: StationNow, after: StationNow | None, clock: Clock) -> str:
    done = [
        board for board in station.here
        if board.sure and board.done is not None and clock.now - board.done >= _SETTLE
    ]  # fmt: skip
    if not done:
        return ""
    board = done[0]
    assert board.done is not None
    text = f"{_short(board)} done since {clock.time(board.done)} and still here"
    if after is None:
        return text
    known = _known(after, clock)
    return f"{text}; {after.name}, next in line, {known or 'says nothing that stops it'}"


def _flow(station: StationNow, before: StationNow | None, after: StationNow | None, clock: Clock) -> str:
    finished = _finished(station, after, clock)
    if finished or station.here or not station.tracked:
        return finished
    if station.left is None:
        return ""
    known = before and clock.now - station.left.at >= _PATIENCE and _known(before, clock)
    if before is None or not known:
        return ""  # that it has no board stands in its state
    return f"no board since {clock.time(station.left.at)}; {before.name}, before it, {known}"


def _known(other: StationNow, clock: Clock) -> str:
    """What is known of a neighbour that may stop the flow; empty when nothing is."""
    if other.unheard:
        return f"is not heard since {clock.time(other.heard)}" if other.heard else ""
    if other.cut is not None and other.cut.silent:
        return f"is not heard since {clock.time(other.cut.since)}"
    if other.said is not None and other.said.state in DOWN:
        return f"is {STATES[other.said.state]} since {clock.time(other.said.since)}"
    alarm = standing(other)
    if alarm is not None:
        return f"has alarm {alarm.code} since {clock.time(alarm.since)}"
    boards = [board for board in other.here if board.sure]
    if boards:
        return f"holds {_short(boards[0])} since {clock.time(boards[0].since)}"
    return ""


def _short(board: Here) -> str:
    return squeeze(board.label, _LABEL) or "a board"

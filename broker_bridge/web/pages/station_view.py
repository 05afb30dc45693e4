"""What the page of stations shows: each in one row, in the words of `watch`. Pure."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.live.clock import Clock
from broker_bridge.live.picture import Row, View
from broker_bridge.live.rows import alarm_words, gap_words, here_words, needs_a_hand, since
from broker_bridge.live.told import Told
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.texts import token

_BOARDS: Final = 10
_CHANGES: Final = 10
_SHAPES: Final = {
    "productive": "works", "has a board": "works", "standby": "waits", "no board": "waits",
    "engineering": "planned", "scheduled down": "planned", "non-scheduled": "planned", "unscheduled down": "hand",
}  # fmt: skip
"""Which mark goes with which word; what is not here is not known."""


class PageClock(Clock):
    """Tells times as pages do."""

    def time(self, instant: datetime) -> str:
        """As an element, once it is on a page."""
        return token(instant)


class Here(NamedTuple):
    """A board at a station."""

    label: str
    sure: bool
    words: str


class StationRow(NamedTuple):
    """A station in one row."""

    name: str
    line: str
    address: str
    key: str
    """For finding it again when the rows are drawn anew."""
    state: str
    shape: str
    """works, waits, planned, hand or unknown"""
    hand: bool
    since: datetime | None
    why: str
    here: tuple[Here, ...]
    shown: tuple[Here, ...]
    """Those of them that stand in the row: one of those that may be there where none is for sure."""
    heard: datetime | None
    age: str
    gaps: tuple[str, ...]
    """Those that are still open."""


class LineView(NamedTuple):
    """A line."""

    name: str
    rows: tuple[StationRow, ...]


class StationsView(NamedTuple):
    """All stations."""

    lines: tuple[LineView, ...]
    alarms: tuple[str, ...]
    hands: int
    trouble: str
    troubles: tuple[str, ...]
    """Who is gone or in trouble, in the words of `watch`."""
    looked: datetime


class Pass(NamedTuple):
    """A board's pass."""

    label: str
    arrived: datetime | None
    departed: datetime | None
    results: str


class Happened(NamedTuple):
    """Something that was said."""

    time: datetime
    text: str


class StationView(NamedTuple):
    """One station, all about it."""

    row: StationRow
    alarms: tuple[str, ...]
    passes: tuple[Pass, ...]
    changes: tuple[Happened, ...]
    gaps: tuple[str, ...]
    rejected: tuple[Happened, ...]


def stations_view(view: View, clock: Clock, trouble: str) -> StationsView:
    """All of them, in line order."""
    lines = tuple(
        LineView(line.rpartition("/")[2], tuple(_row(line, row, clock) for row in rows))
        for line, rows in view.lines
    )
    return StationsView(
        lines=lines,
        alarms=tuple(alarm_words(alarm, alarm.station, clock) for alarm in reversed(view.alarms)),
        hands=sum(row.hand for line in lines for row in line.rows),
        trouble=trouble,
        troubles=tuple(one.text for one in view.troubles),
        looked=clock.now,
    )


def station_view(line: str, row: Row, clock: Clock) -> StationView:
    """One of them."""
    station = row.station
    return StationView(
        row=_row(line, row, clock),
        alarms=tuple(alarm_words(alarm, "", clock) for alarm in reversed(station.alarms)),
        passes=tuple(
            Pass(visit.label, visit.arrived, visit.departed, "; ".join(visit.results))
            for visit in reversed(station.visits[-_BOARDS:])
        ),
        changes=tuple(_happened(station.changes)),
        gaps=tuple(gap_words(gap, clock) for gap in reversed(station.gaps)),
        rejected=tuple(_happened(station.rejected)),
    )


def _row(line: str, row: Row, clock: Clock) -> StationRow:
    station = row.station
    hand = needs_a_hand(row)
    here = tuple(
        Here(board.label or "a board without a name", board.sure, here_words(board, board.label, clock))
        for board in station.here
    )
    return StationRow(
        name=station.name,
        line=line.rpartition("/")[2],
        address=addresses.to("/station", line=line, name=station.name),
        key=f"{line}/{station.name}",
        state=row.state,
        shape="hand" if hand else _SHAPES.get(row.state, "unknown"),
        hand=hand,
        since=since(station),
        why=row.why,
        here=here,
        shown=tuple(board for board in here if board.sure)[:2] or here[:1],
        heard=station.heard,
        age=clock.age(station.heard) if station.heard else "not yet",
        gaps=tuple(gap_words(gap, clock) for gap in station.gaps if gap.end is None),
    )


def _happened(told: Iterable[Told]) -> list[Happened]:
    return [Happened(one.at, one.text) for one in reversed(list(told)[-_CHANGES:])]

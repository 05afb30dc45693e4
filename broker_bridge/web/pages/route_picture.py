"""The way of a board as a picture: time from left to right, a row for each station. Pure: a history in, geometry out.

The scale is even between two cuts; where nothing happens for long, the time is cut and its length written there.
"""

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from statistics import median
from typing import Final, NamedTuple

from broker_bridge.live.clock import span
from broker_bridge.trace.history import History
from broker_bridge.trace.visits import Visit
from broker_bridge.web.pages.texts import plain, token
from broker_bridge.words.telling import counted

ROW: Final = 36
BAR: Final = 12
_TOP: Final = 30
_FOOT: Final = 26
_LEFT: Final = 14
_RIGHT: Final = 60
_STAY: Final = 30.0
"""Width of a stay of middle length."""
_LEAST: Final = 7.0
_MOST: Final = 160.0
"""What would be wider is cut."""
_TICK: Final = 76.0
"""Least distance of two times that are written."""
_SIDES: Final = {"top": 4, "bottom": 20}
_MIDDLE: Final = 12


class Bar(NamedTuple):
    """A stay."""

    mark: str
    """V3"""
    x: float
    y: float
    width: float
    certainty: str
    came: bool
    """Its arrival was seen."""
    left: bool
    """Its departure was seen."""
    open: bool
    """Nothing shows that it left."""
    pass_: int
    failed: bool
    back: str
    """L2 where it is a return; else empty."""
    text: str


class Way(NamedTuple):
    """From one stay to the next."""

    x1: float
    y1: float
    x2: float
    y2: float
    sure: bool


class Hole(NamedTuple):
    """What may be missing: of a station, from left to right; `point`: one record; width 0 is not drawn."""

    mark: str
    x: float
    y: float
    width: float
    kind: str
    """span, point or silent"""
    text: str


class Tick(NamedTuple):
    """A time that is written."""

    x: float
    time: datetime
    dated: bool
    """The date is another one than before."""


class Cut(NamedTuple):
    """Time that was cut out."""

    x: float
    text: str


class Picture(NamedTuple):
    """All of it; heights and places in pixels."""

    width: float
    height: float
    rows: tuple[tuple[str, float], ...]
    """Name and upper edge."""
    bars: tuple[Bar, ...]
    ways: tuple[Way, ...]
    holes: tuple[Hole, ...]
    ticks: tuple[Tick, ...]
    cuts: tuple[Cut, ...]
    summary: str


def picture(history: History) -> Picture | None:
    """The picture; None where the board was seen nowhere."""
    route = history.route
    if not route:
        return None
    scale = _Scale(route)
    names: dict[str, None] = dict.fromkeys(_place(visit) for visit in route)
    names.update(dict.fromkeys(gap.where for gap in history.gaps if gap.kind != "unjoined"))
    rows = {name: _TOP + ROW * number for number, name in enumerate(names)}
    returns = {(one.station, one.side, one.pass_): f"L{n}" for n, one in enumerate(history.loops, 1)}
    bars = [
        _bar(
            f"V{number}", visit, scale, rows, returns.get((visit.station or "", visit.side, visit.pass_), "")
        )
        for number, visit in enumerate(route, 1)
    ]
    ways = [
        Way(
            one.x + one.width, one.y + BAR / 2, other.x, other.y + BAR / 2,
            one.left and other.came and "observed" == one.certainty == other.certainty,
        )
        for one, other in pairwise(bars)
    ]  # fmt: skip
    return Picture(
        width=scale.width,
        height=_TOP + ROW * len(rows) + _FOOT,
        rows=tuple((_short(name), y) for name, y in rows.items()),
        bars=tuple(bars),
        ways=tuple(ways),
        holes=tuple(_holes(history, scale, rows)),
        ticks=tuple(scale.ticks([visit.arrived for visit in route])),
        cuts=tuple(scale.cuts),
        summary=_summary(history),
    )


class _Scale:
    def __init__(self, route: Sequence[Visit]) -> None:
        moments = sorted(
            {time for v in route for time in (v.arrived, v.departed, v.departed_by) if time is not None}
        )
        stays = [
            (v.departed - v.arrived).total_seconds() for v in route if v.departed and v.departed > v.arrived
        ]
        per_s = _STAY / median(stays) if stays else 1.0
        self._moments, self._places = moments, [float(_LEFT)]
        self.cuts: list[Cut] = []
        for one, other in pairwise(moments):
            seconds = (other - one).total_seconds()
            width = max(seconds * per_s, _LEAST)
            if width > _MOST:
                width = _MOST
                self.cuts.append(Cut(self._places[-1] + width / 2, span(seconds)))
            self._places.append(self._places[-1] + width)
        self.width = self._places[-1] + _RIGHT

    def __call__(self, time: datetime) -> float:
        """Where a time lies; before the first and after the last at the edges."""
        if time <= self._moments[0]:
            return self._places[0] if time == self._moments[0] else 0.0
        if time >= self._moments[-1]:
            return self._places[-1] if time == self._moments[-1] else self.width
        at = bisect_right(self._moments, time) - 1
        first, last = self._moments[at], self._moments[at + 1]
        share = (time - first) / (last - first)
        return self._places[at] + share * (self._places[at + 1] - self._places[at])

    def ticks(self, times: Sequence[datetime]) -> list[Tick]:
        found: list[Tick] = []
        for time in sorted(set(times)):
            x = self(time)
            if not found or x - found[-1].x >= _TICK:
                found.append(Tick(x, time, not found or time.date() != found[-1].time.date()))
        return found


def _bar(mark: str, visit: Visit, scale: _Scale, rows: dict[str, int], back: str) -> Bar:
    x = scale(visit.arrived)
    until = scale(visit.departed or visit.arrived)
    place = _place(visit)
    words = [
        place,
        visit.side,
        visit.pass_ > 1 and f"pass {visit.pass_}",
        token(visit.arrived),
        visit.certainty,
    ]
    return Bar(
        mark=mark, x=x, y=rows[place] + _SIDES.get(visit.side or "", _MIDDLE), width=max(until - x, 5.0),
        certainty=visit.certainty, came=visit.arrived_certainty == "observed",
        left=visit.departed_certainty == "observed", open=visit.departed is None, pass_=visit.pass_,
        failed=visit.outcome == "failed", back=back, text=plain(f"{mark}: {', '.join(str(w) for w in words if w)}"),
    )  # fmt: skip


def _holes(history: History, scale: _Scale, rows: dict[str, int]) -> list[Hole]:
    found: list[Hole] = []
    for number, gap in enumerate(history.gaps, 1):
        if gap.kind == "unjoined":
            continue
        mark, y, cause = f"G{number}", rows[gap.where], gap.cause.replace("_", " ")
        text = plain(f"{mark}: {gap.where}, {cause}")
        if gap.kind == "silent":
            found.append(Hole(mark, 0.0, y, scale.width, "silent", text))
            continue
        x = scale(gap.from_) if gap.from_ else 0.0
        until = scale(gap.to) if gap.to else scale.width
        if gap.from_ is not None and gap.from_ == gap.to:
            if 0 < x < scale.width:
                found.append(Hole(mark, x, y, 0.0, "point", text))
        elif until > x:
            found.append(Hole(mark, x, y, max(until - x, 3.0), "span", text))
    return found


def _place(visit: Visit) -> str:
    return visit.station or "one of " + ", ".join(visit.candidates)


def _short(name: str) -> str:
    """A source is told by its last part."""
    return plain(name.rpartition("/")[2] + " (a source)" if name.startswith("/") else name)


def _summary(history: History) -> str:
    unsure = sum(visit.certainty != "observed" for visit in history.route)
    parts = [
        counted(len(history.route), "visit"),
        f"{unsure} of them not observed",
        counted(len(history.loops), "return"),
        counted(len(history.gaps), "gap"),
    ]
    return f"Way of the board through time: {', '.join(parts)}. The same in words follows."

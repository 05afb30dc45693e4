"""What many boards say together, as one answer: a sentence, figures with their ground, pictures of columns.

Every figure is told the same way, so that whatever shows answers shows all of them: value, how sure, of how many, and the
boards behind it.
"""

from collections.abc import Mapping
from typing import Any, Final

from broker_bridge.trace.history import CAUTION, AsOf
from broker_bridge.trace.value import Value

__all__ = ["CAUTION", "Answer", "Figure", "Mark", "Plot", "Section", "Span"]

KINDS: Final = ("control", "pareto", "intervals", "histogram", "offsets")


class Span(Value):
    """The range that holds the true value in `level` of all cases in which its assumptions hold."""

    low: float
    high: float
    level: float
    method: str


class Figure(Value):
    """One number, or the reason why there is none."""

    name: str
    value: float | None = None
    """None: no number is told, `note` says why."""
    unit: str = ""
    """share, ppm, per board, um ...; empty: no unit."""
    spans: tuple[Span, ...] = ()
    """Each by another method, the first to be taken where one has to be."""
    number: float | None = None
    """What was counted: the value is this of `of`."""
    of: float | None = None
    counted: str = ""
    """What `of` counts: boards, panels, opportunities, prints ..."""
    note: str | None = None
    """Verdict, or why there is no value."""
    details: Mapping[str, Any] = {}
    """Further columns of this section, by name: numbers and texts."""
    boards: tuple[str, ...] = ()
    """The boards behind it, by serial, or panel and position. In JSON with --list only."""


class Section(Value):
    """Figures of one kind, in order."""

    title: str
    figures: tuple[Figure, ...]
    note: str | None = None


class Mark(Value):
    """A point of a plot that a rule hits."""

    place: int
    """Of the point, from 0."""
    rule: str
    """WE1 to WE4 (Western Electric), N1 to N8 (Nelson), limit, decision."""
    meaning: str
    window: int = 1
    """Points it takes; they end at `place`."""
    boards: tuple[str, ...] = ()
    """With --list only."""


class Plot(Value):
    """Columns to draw; one entry a point. None: nothing there."""

    kind: str
    """control, pareto, intervals, histogram, offsets"""
    title: str
    labels: tuple[str, ...]
    """What each point is: a time, a print, a category."""
    unit: str
    points: tuple[float | None, ...]
    centre: tuple[float | None, ...] = ()
    """control: centre line; pareto: cumulative share; intervals, histogram: nothing."""
    lower: tuple[float | None, ...] = ()
    """control: lower limit; intervals: low end; offsets: dx"""
    upper: tuple[float | None, ...] = ()
    """control: upper limit; intervals: high end; offsets: dy"""
    marks: tuple[Mark, ...] = ()
    phases: tuple[str, ...] = ()
    """The phase of each point, where there are several."""
    limits: tuple[float | None, ...] = ()
    """histogram: lower limit, upper limit, target; intervals: the value that means no difference."""
    where: tuple[tuple[float, ...], ...] = ()
    """offsets: x and y of each point; histogram: edges as one tuple."""


class Answer(Value):
    """Everything that was found."""

    view: str
    """yield, charts, capability, paste, occurrence, gauge; of flow: line, stations, changes, time"""
    sentence: str
    """What it means and how sure it is, to be read aloud."""
    asked: str
    """What it was asked for; empty: the whole record."""
    sections: tuple[Section, ...]
    plots: tuple[Plot, ...]
    remarks: tuple[str, ...]
    """What limits the answer."""
    found: bool
    """Whether there is something that a person should look at."""
    as_of: AsOf
    caution: str = CAUTION

"""Results of analysis as figures that every outlet tells in the same way."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from broker_bridge.analysis.columns import Keys, listed
from broker_bridge.analysis.intervals import Interval, Mean, Proportion, Rate, Refused
from broker_bridge.trace.quality import Figure, Span

Names = Callable[[Any], str]
"""From a key of the columns to the name of a board."""


def span(interval: Interval) -> Span:
    """An interval."""
    return Span(interval.low, interval.high, interval.level, interval.method)


def refused(name: str, why: Refused, counted: str = "", **details: Any) -> Figure:
    """No number, and the reason."""
    need = "" if why.need is None else f" (have {why.have:g}, need {why.need:g})"
    return Figure(name, counted=counted, note=f"cannot tell: {why.reason}{need}", details=details)


def share(
    name: str, found: Proportion | Refused, counted: str, names: Names, *, of: Keys | None = None,
    note: str | None = None, **details: Any,
) -> Figure:  # fmt: skip
    """A share; `of` are other keys to name behind it than its own members."""
    if isinstance(found, Refused):
        return refused(name, found, counted, **details)
    boards = _named(found.members if of is None else of, names)
    return Figure(
        name, found.value, "share", (span(found.wilson), span(found.exact)), found.number, found.of, counted, note,
        details, boards,
    )  # fmt: skip


def rate(
    name: str, found: Rate | Refused, unit: str, counted: str, names: Names, *, note: str | None = None,
    **details: Any,
) -> Figure:  # fmt: skip
    """A rate."""
    if isinstance(found, Refused):
        return refused(name, found, counted, **details)
    boards = _named(found.members, names)
    return Figure(
        name,
        found.value,
        unit,
        (span(found.interval),),
        found.number,
        found.of,
        counted,
        note,
        details,
        boards,
    )


def _named(keys: Keys, names: Names) -> tuple[str, ...]:
    return tuple(sorted({names(key) for key in listed(keys)}))


def mean(name: str, found: Mean | Refused, unit: str, counted: str, **details: Any) -> Figure:
    """A mean."""
    if isinstance(found, Refused):
        return refused(name, found, counted, **details)
    more = {"sd": found.sd} | details
    return Figure(name, found.value, unit, (span(found.interval),), None, found.of, counted, None, more)


def plain(
    name: str, value: float | None, unit: str = "", *, note: str | None = None, boards: Iterable[str] = (),
    number: float | None = None, of: float | None = None, counted: str = "", details: Mapping[str, Any] | None = None,
    spans: Iterable[Interval] = (),
) -> Figure:  # fmt: skip
    """A number by itself."""
    return Figure(
        name, value, unit, tuple(map(span, spans)), number, of, counted, note, details or {}, tuple(boards)
    )

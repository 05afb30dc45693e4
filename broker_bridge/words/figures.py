"""A figure of what many boards say together, in words. Pure."""

from typing import Any

from broker_bridge.trace.quality import Figure
from broker_bridge.words.telling import safe


def value_words(value: float | None, unit: str) -> str:
    """A value with its unit; empty where there is none."""
    if value is None:
        return ""
    if unit == "share":
        return f"{value:.2%}"
    return f"{short_words(value)} {unit}".rstrip()


def between_words(figure: Figure) -> str:
    """The interval to be taken first."""
    if not figure.spans:
        return ""
    low, high = figure.spans[0].low, figure.spans[0].high
    return (
        f"{low:.2%} .. {high:.2%}" if figure.unit == "share" else f"{short_words(low)} .. {short_words(high)}"
    )


def of_words(figure: Figure) -> str:
    """Of how many."""
    if figure.of is None:
        return figure.counted
    number = "" if figure.number is None else f"{figure.number:g} of "
    return f"{number}{figure.of:g} {figure.counted}".rstrip()


def short_words(value: Any) -> str:
    """A number with the digits that matter, or a text."""
    return f"{value:.4g}" if isinstance(value, float) else safe(str(value))

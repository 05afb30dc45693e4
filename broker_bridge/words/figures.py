"""A figure of what many boards say together, in words. Pure."""

from decimal import Decimal
from typing import Any, Final

from broker_bridge.trace.quality import Figure
from broker_bridge.trace.units import unit_words
from broker_bridge.words.telling import safe

_SHARES: Final = frozenset({"coverage", "cumulative"})
_LONGEST: Final = 9
"""Digits or zeros; a number of more is told with a power of ten."""


def value_words(value: float | None, unit: str) -> str:
    """A value with its unit; empty where there is none."""
    if value is None:
        return ""
    if unit == "share":
        return f"{value:.2%}"
    return f"{short_words(value)} {unit_words(unit)}".rstrip()


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
    number = "" if figure.number is None else f"{_fixed(f'{figure.number:.7g}')} of "
    return f"{number}{_fixed(f'{figure.of:.7g}')} {figure.counted}".rstrip()


def detail_words(name: str, value: Any) -> str:
    """What stands in a further column; one of shares is told in percent."""
    if value is None:
        return ""
    if isinstance(value, float) and (name in _SHARES or name.split()[0] == "share"):
        return f"{value:.2%}"
    return short_words(value)


def short_words(value: Any) -> str:
    """A number with the digits that matter, or a text."""
    return _fixed(f"{value:.4g}") if isinstance(value, float) else safe(str(value))


def _fixed(text: str) -> str:
    """A number without powers of ten, as far as it can be read so."""
    mantissa, _, power = text.partition("e")
    return format(Decimal(text), "f") if power and mantissa and abs(int(power)) <= _LONGEST else text

"""Pareto: categories in order of their weight, with shares and the cumulative share."""

from collections.abc import Sequence

from broker_bridge.analysis.columns import Key, Numbers, floats, named, same_length
from broker_bridge.analysis.intervals import LEVEL, Interval, Refused, wilson
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class Bar(Value):
    """One category."""

    category: str
    weight: float
    """Rows, or their weights added up."""
    share: float
    cumulative: float
    interval: Interval | None
    """Of the share; None where weights were given, which are no counts."""
    members: tuple[Key, ...]


class Pareto(Value):
    """All categories, heaviest first; equal ones by name."""

    total: float
    bars: tuple[Bar, ...]
    uncategorized: tuple[Key, ...]
    """Rows without a category: in no share."""


def pareto(
    categories: Sequence[str | None],
    *,
    keys: Sequence[Key] | None = None,
    weights: Numbers | None = None,
    level: float = LEVEL,
) -> Pareto | Refused:
    """The Pareto of a column of categories, each row weighing one or what `weights` says (minutes, say)."""
    same_length(categories=categories, keys=keys, weights=weights)
    rows = named(keys, len(categories))
    amounts = [1.0] * len(rows) if weights is None else floats("weights", weights).tolist()
    if not all(amount >= 0 for amount in amounts):
        raise UsageError("weights have to be numbers of zero or more")
    totals: dict[str, float] = {}
    members: dict[str, list[Key]] = {}
    for key, category, amount in zip(rows, categories, amounts, strict=True):
        if category is not None:
            totals[category] = totals.get(category, 0.0) + amount
            members.setdefault(category, []).append(key)
    total, running = sum(totals.values()), 0.0
    if total == 0:
        return Refused("no row has a category and a weight", 0, 1)
    bars = []
    for category in sorted(totals, key=lambda name: (-totals[name], name)):
        running += totals[category]
        interval = wilson(int(totals[category]), int(total), level) if weights is None else None
        bars.append(
            Bar(
                category, totals[category], totals[category] / total, running / total,
                interval, tuple(members[category]),
            )
        )  # fmt: skip
    return Pareto(total, tuple(bars), tuple(k for k, c in zip(rows, categories, strict=True) if c is None))

"""What callers hand in: columns of equal length, one entry a row."""

from collections.abc import Hashable, Iterable, Sequence, Sized
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broker_bridge.errors import UsageError

Key = Hashable
"""What a number is made of: a board's key, a pad's, whatever the caller calls its rows by."""
Floats = NDArray[np.float64]
Numbers = Sequence[float | None] | Sequence[float] | Sequence[int] | NDArray[Any]


def floats(name: str, values: Numbers) -> Floats:
    """A column of numbers; None becomes not-a-number, which means: not measured.

    Raises UsageError for what is no number and for infinity.
    """
    try:
        column = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UsageError(f"column {name} holds what is no number: {error}") from error
    if np.isinf(column).any():
        raise UsageError(f"column {name} holds infinity; hand in None where nothing was measured")
    return column


def same_length(**columns: Sized | None) -> int:
    """Rows of the columns that are given. Raises UsageError where they differ."""
    lengths = {name: len(column) for name, column in columns.items() if column is not None}
    if len(set(lengths.values())) > 1:
        raise UsageError(f"columns belong together row by row, but their lengths are {lengths}")
    return next(iter(lengths.values()), 0)


def named(keys: Sequence[Key] | None, rows: int) -> tuple[Key, ...]:
    """The rows' keys; their numbers from 0 where the caller has none."""
    if keys is None:
        return tuple(range(rows))
    same_length(keys=keys, rows=range(rows))
    return tuple(keys)


def chosen(keys: Sequence[Key], mask: Iterable[object]) -> tuple[Key, ...]:
    """The keys of the rows that the mask holds true for."""
    return tuple(key for key, wanted in zip(keys, mask, strict=True) if wanted)


def between(name: str, value: float, low: float, high: float) -> float:
    """The value, if it lies strictly between the two. Raises UsageError otherwise."""
    if not low < value < high:
        raise UsageError(f"{name} has to lie between {low:g} and {high:g}, it is {value!r}")
    return value


def positive(name: str, value: float) -> float:
    """The value, if it is a number above zero. Raises UsageError otherwise."""
    if not 0 < value < float("inf"):
        raise UsageError(f"{name} has to be above zero, it is {value!r}")
    return value

"""What callers hand in: columns of equal length, one entry a row."""

from collections.abc import Hashable, Iterable, Sequence, Sized
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broker_bridge.errors import UsageError

Key = Hashable
"""What a number is made of: a board's key, a pad's, whatever the caller calls its rows by."""
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Numbers = Sequence[float | None] | Sequence[float] | Sequence[int] | NDArray[Any]
Keys = Sequence[Key] | NDArray[Any]
"""One key a row: of any kind, or integers in an array, which millions of rows come in."""
Members = tuple[Key, ...] | NDArray[Any]
"""Of the keys handed in: an array where an array was handed in."""


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


def numbered(keys: Keys) -> tuple[Ints, Ints]:
    """Of each row the number of its key, from 0, and of each key its first row. Numbers are in no order."""
    if not isinstance(keys, np.ndarray):
        numbers: dict[Key, int] = {}
        code = np.fromiter((numbers.setdefault(key, len(numbers)) for key in keys), np.int64, len(keys))
        return code, _first_rows(code, len(numbers))
    low = int(keys.min()) if len(keys) else 0
    span = int(keys.max()) - low + 1 if len(keys) else 0
    if span > 4 * len(keys):
        _, first, code = np.unique(keys, return_index=True, return_inverse=True)
        return code, first
    # Numbers that lie close together need no sorting.
    code = keys - low
    first = _first_rows(code, span)
    seen = first < len(keys)
    return (np.cumsum(seen) - 1)[code], first[seen]


def distinct(keys: Keys) -> int:
    """How many keys there are, each counted once."""
    return len(numbered(keys)[1])


def _first_rows(code: Ints, count: int) -> Ints:
    """Of each number the first row that has it; the number of rows where none has."""
    first = np.full(count, len(code), np.int64)
    first[code[::-1]] = np.arange(len(code) - 1, -1, -1)  # the last one that is written stays
    return first


def at_rows(keys: Keys, rows: Ints) -> Members:
    """The keys of these rows, in order of rows."""
    if isinstance(keys, np.ndarray):
        return keys[np.sort(rows)]
    return tuple(keys[row] for row in np.sort(rows).tolist())


def listed(keys: Keys) -> Sequence[Key]:
    """Keys one by one: an array's as plain integers."""
    return keys.tolist() if isinstance(keys, np.ndarray) else keys


def joined(one: Members, other: Members) -> Members:
    """The members of both."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return np.concatenate([one, other])
    return (*one, *other)


def held(members: Keys) -> Members:
    """Members as a value keeps them."""
    return members if isinstance(members, np.ndarray) else tuple(members)


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

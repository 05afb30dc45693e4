"""Pure: the arithmetic of a source's numbers. Which are committed, which a stated gap closes."""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Final

from broker_bridge.events.canonical import Read
from broker_bridge.events.source import SourceGap
from broker_bridge.store.base import Progress, Range

GAP: Final = SourceGap.TYPE


def spans(numbers: Iterable[int]) -> list[Range]:
    """The ranges that a set of numbers makes, ascending, not touching."""
    ordered = sorted(numbers)
    if ordered and ordered[-1] - ordered[0] == len(ordered) - 1 == len(set(ordered)) - 1:
        return [(ordered[0], ordered[-1])]
    return merge([(number, number) for number in ordered])


def merge(ranges: Iterable[Range]) -> list[Range]:
    """The same numbers as ranges that are ascending and do not touch."""
    merged: list[Range] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return merged


def advance(progress: Progress, ranges: Sequence[Range]) -> Progress:
    """The progress once these numbers are committed too."""
    if not ranges:
        return progress
    whole = merge([(1, progress.contiguous), *progress.above, *ranges])
    return progress._replace(
        contiguous=whole[0][1],
        above=tuple(whole[1:]),
        last=max(progress.last, whole[-1][1]),
    )


def covers(progress: Progress, number: int) -> bool:
    """Whether a number is committed."""
    if number <= progress.contiguous:
        return True
    place = bisect_right(progress.above, (number, 2**63)) - 1
    return place >= 0 and progress.above[place][1] >= number


def overlaps(progress: Progress, numbers: Sequence[int]) -> bool:
    """Whether any of the numbers is committed."""
    if not progress.above:
        return min(numbers) <= progress.contiguous
    return any(covers(progress, number) for number in numbers)


def closure(event: Read) -> tuple[int, int, int | None] | None:
    """Epoch, first and last number that a source.gap event closes; last None: whatever was heard of.

    None when the event closes no range.
    """
    data = event.data
    if not isinstance(data, SourceGap) or data.of_epoch is None or not data.first:
        return None
    if data.last is not None and data.last < data.first:
        return None
    return data.of_epoch, data.first, data.last


def close(progress: Progress, first: int, last: int | None) -> tuple[Progress, Range]:
    """The progress once a gap is stated, and the range it covers; without `last` the epoch is closed for good."""
    upto = progress.last if last is None else last
    if last is None:
        progress = progress._replace(closed=True)
    if upto < first:
        return progress, (first, first - 1)
    return advance(progress, [(first, upto)]), (first, upto)

"""How well an inspection calls defects: false calls and escapes, each with its denominator.

The word escape rate is used for two numbers in the trade: escapes among the defects, and escapes among what was inspected
(in ppm). Both are here under names of their own. An escape is known only where something looked again later.
"""

import math
from collections.abc import Sequence

from broker_bridge.analysis.columns import Key, between, chosen, named, same_length
from broker_bridge.analysis.dpmo import per_million
from broker_bridge.analysis.intervals import LEVEL, Proportion, Rate, Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class CallQuality(Value):
    """Quality of calls, counted by opportunity or by board, as the caller's rows are."""

    detection: Proportion | Refused
    """Called defects of all known defects."""
    escape_rate: Proportion | Refused
    """Defects not called, of all known defects."""
    escapes_ppm: Rate | Refused
    """Defects not called, per million inspected."""
    false_call_ppm: Rate | Refused
    """False calls per million inspected."""
    false_positive_rate: Proportion | Refused
    """False calls of all that was good."""
    precision: Proportion | Refused
    """Real defects of all calls that were judged."""
    false_calls_per_defect: float | None
    """None: no defect was called."""
    coverage: Proportion | Refused
    """Inspected of all rows."""
    open_reviews: tuple[Key, ...]
    """Called, not judged: in no number but the inspected."""


def call_quality(
    called: Sequence[bool | None],
    defective: Sequence[bool | None],
    *,
    keys: Sequence[Key] | None = None,
    looked_again: bool,
    level: float = LEVEL,
) -> CallQuality:
    """Rows are what was inspected. `called` None: not inspected. `defective`: what is confirmed; None: not judged.

    `looked_again`: something later (a test, a second inspection) would have found what was not called. Where nothing
    did, escapes cannot be told and are refused; rows neither called nor judged count as good otherwise.
    """
    same_length(called=called, defective=defective, keys=keys)
    rows = named(keys, len(called))
    pairs = list(zip(called, defective, strict=True))
    hit = chosen(rows, [c is True and d is True for c, d in pairs])
    false = chosen(rows, [c is True and d is False for c, d in pairs])
    escaped = chosen(rows, [c is False and d is True for c, d in pairs])
    still_open = chosen(rows, [c is True and d is None for c, d in pairs])
    seen = sum(c is not None for c in called)
    good = len(false) + sum(c is False and d is not True for c, d in pairs)
    found = quality_of_counts(
        hit=len(hit), false=len(false), escaped=len(escaped), good=good,
        looked_again=looked_again, level=level, members=(hit, false, escaped),
    )  # fmt: skip
    return found._replace(
        # What is called and not judged was inspected all the same.
        escapes_ppm=per_million(len(escaped), seen, members=escaped, level=level)
        if looked_again
        else found.escapes_ppm,
        false_call_ppm=per_million(len(false), seen, members=false, level=level),
        coverage=proportion(
            seen, len(rows), members=chosen(rows, [c is not None for c in called]), level=level
        ),
        open_reviews=still_open,
    )


def quality_of_counts(
    *,
    hit: int,
    false: int,
    escaped: int,
    good: int,
    looked_again: bool = True,
    level: float = LEVEL,
    members: tuple[Sequence[Key], Sequence[Key], Sequence[Key]] = ((), (), ()),
) -> CallQuality:
    """The same from counts: called defects, false calls, escapes, all that was good (false calls included)."""
    if min(hit, false, escaped, good - false) < 0:
        raise UsageError(f"counts do not go together: {hit=}, {false=}, {escaped=}, {good=}")
    hits, falses, escapes = members
    blind = Refused("nothing looked again at what was not called: escapes are not known")
    defects, inspected = hit + escaped, good + hit + escaped
    return CallQuality(
        detection=proportion(hit, defects, members=hits, level=level) if looked_again else blind,
        escape_rate=proportion(escaped, defects, members=escapes, level=level) if looked_again else blind,
        escapes_ppm=per_million(escaped, inspected, members=escapes, level=level) if looked_again else blind,
        false_call_ppm=per_million(false, inspected, members=falses, level=level),
        false_positive_rate=proportion(false, good, members=falses, level=level),
        precision=proportion(hit, hit + false, members=hits, level=level),
        false_calls_per_defect=false / hit if hit else None,
        coverage=Refused("what was not inspected is not stated"),
        open_reviews=(),
    )


def defect_level(yield_before: float, coverage: float) -> float:
    """Share of shipped boards with a defect: 1 - Y ** (1 - T), Williams and Brown (1981)."""
    return -math.expm1((1 - coverage) * math.log(between("yield", yield_before, 0, 1)))


def cohen_kappa(table: Sequence[Sequence[int]]) -> float | Refused:
    """Agreement of two judges beyond chance, from a square table of counts."""
    total = sum(map(sum, table))
    if any(len(row) != len(table) for row in table) or total == 0:
        raise UsageError(f"a square table with counts is needed, not {table!r}")
    agreed = sum(table[i][i] for i in range(len(table))) / total
    columns = [sum(column) for column in zip(*table, strict=True)]
    chance = sum(sum(row) * column for row, column in zip(table, columns, strict=True)) / total**2
    if chance == 1:
        return Refused("both judges gave one answer only: agreement beyond chance has no meaning", 1, 2)
    return float((agreed - chance) / (1 - chance))

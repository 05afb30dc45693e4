"""Point of occurrence: where along the line confirmed defects came to be, from what was seen at the same spot before.

The point of occurrence is not the point of non-detection (8D): a bridge found at the end may have been printed. Nobody
sees the moment itself; the first abnormal observation at the same pad or designator stands for it, and where an
observation is missing before it the answer is: cannot tell.
"""

from collections.abc import Hashable, Mapping, Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.columns import Key, chosen, named, same_length
from broker_bridge.analysis.intervals import LEVEL, Proportion, Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

CANNOT_TELL: Final = "cannot tell"
UNSEEN: Final = "after the last normal observation"


class Precedents(Value):
    """What came before one defect, by the name of what it is (paste, top-up, placement, reel, nozzle, oven interval)."""

    defect: Key
    found: Mapping[str, Any]
    missing: tuple[str, ...]
    """Nothing is on record for this spot: not the same as normal."""


def join(defects: Sequence[Key], before: Mapping[str, Mapping[Any, Any]]) -> tuple[Precedents, ...]:
    """Join each confirmed defect to what came before at the same spot: keys are the spot's (board and designator, say)."""
    told = []
    for defect in defects:
        found = {name: column[defect] for name, column in before.items() if defect in column}
        told.append(Precedents(defect, found, tuple(name for name in before if name not in found)))
    return tuple(told)


class Share(Value):
    """Defects that came to be at one point."""

    point: str
    share: Proportion | Refused
    """Of all defects, those that cannot be told included."""
    of_told: Proportion | Refused | None
    """Of those that can be told; None for those that cannot."""


class Occurrence(Value):
    """Shares by point of occurrence: the stages in order, then the rest."""

    defects: int
    shares: tuple[Share, ...]
    several: tuple[Key, ...]
    """Abnormal at more than one stage: told at the first."""


def points_of_occurrence(
    abnormal: Mapping[str, Sequence[bool | None]],
    *,
    keys: Sequence[Key] | None = None,
    level: float = LEVEL,
) -> Occurrence | Refused:
    """Shares by point of occurrence. `abnormal`: a column a stage, stages in the order of the line, one entry a defect:
    was what was observed there abnormal? None: nothing was observed.

    A defect is told at its first abnormal stage if every stage before it was observed; normal at all stages: after the
    last observation; otherwise it cannot be told.
    """
    if not abnormal:
        raise UsageError("there are no stages")
    rows = named(keys, same_length(**abnormal))
    if not rows:
        return Refused("there are no defects", 0, 1)
    names = list(abnormal)
    told: list[str] = []
    several = []
    for row in range(len(rows)):
        seen = [abnormal[name][row] for name in names]
        first = next((i for i, value in enumerate(seen) if value is not False), None)
        told.append(UNSEEN if first is None else names[first] if seen[first] else CANNOT_TELL)
        several.append(seen.count(True) > 1)
    known = sum(point != CANNOT_TELL for point in told)
    shares = []
    for point in (*names, UNSEEN, CANNOT_TELL):
        members = chosen(rows, [at == point for at in told])
        of_told = (
            None if point == CANNOT_TELL else proportion(len(members), known, members=members, level=level)
        )
        shares.append(
            Share(point, proportion(len(members), len(rows), members=members, level=level), of_told)
        )
    return Occurrence(len(rows), tuple(shares), chosen(rows, several))


class ControlGroup(Value):
    """Like the affected ones, but not affected."""

    members: tuple[Key, ...]
    unmatched: tuple[Key, ...]
    """Affected ones for which fewer than asked are left that match."""


def control_group(
    affected: Sequence[bool | None],
    match: Mapping[str, Sequence[Hashable]],
    *,
    seed: int,
    each: int = 1,
    keys: Sequence[Key] | None = None,
) -> ControlGroup:
    """For each affected row `each` rows that are known not to be affected and equal it in all columns of `match`.

    Chosen without repetition by a generator of the given seed: the same call gives the same group.
    """
    rows = named(keys, same_length(affected=affected, **match))
    columns = list(match.values())
    pool: dict[tuple[Hashable, ...], list[int]] = {}
    for row, hit in enumerate(affected):
        if hit is False:
            pool.setdefault(tuple(column[row] for column in columns), []).append(row)
    generator = np.random.default_rng(seed)
    for waiting in pool.values():
        generator.shuffle(waiting)
    picked: list[Key] = []
    short: list[Key] = []
    for row, hit in enumerate(affected):
        if hit is True:
            waiting = pool.get(tuple(column[row] for column in columns), [])
            taken = [waiting.pop() for _ in range(min(each, len(waiting)))]
            picked += [rows[i] for i in taken]
            if len(taken) < each:
                short.append(rows[row])
    return ControlGroup(tuple(picked), tuple(short))

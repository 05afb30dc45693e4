"""Defects per million opportunities, by class: component, placement, termination, and their index.

IPC-9261A counts in process, IPC-7912A at the completed product only; the arithmetic is the same, the defects are not.
Opportunities (S. Shina, Six Sigma for Electronics Design and Manufacturing, 4.3.3): components and the bare board; placements;
terminations. A root defect counts once, in one class: a shifted component is one placement defect, not many terminations.
"""

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import Key, Keys, at_rows, listed, positive, same_length
from broker_bridge.analysis.distributions import normal_quantile
from broker_bridge.analysis.intervals import LEVEL, Proportion, Rate, Refused, proportion, rate
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

MILLION: Final = 1_000_000
CLASSES: Final = ("component", "placement", "termination")
STANDARDS: Final = {"in process": "IPC-9261A", "end item": "IPC-7912A"}


class Opportunities(Value):
    """Of one board. `of` counts them as the standards do."""

    component: int
    placement: int
    termination: int

    @classmethod
    def of(cls, components: int, terminations: int, placements: int | None = None) -> "Opportunities":
        """Of a board with so many components (the bare board comes on top), solder joints and placements."""
        return cls(components + 1, components if placements is None else placements, terminations)

    @property
    def total(self) -> int:
        """All classes."""
        return int(self.component + self.placement + self.termination)


class Dpmo(Value):
    """Defects per million opportunities. Rates are per million; their members are the boards with such a defect."""

    standard: str
    component: Rate | Refused
    placement: Rate | Refused
    termination: Rate | Refused
    dpmo_index: Rate | Refused
    """All defects over all opportunities."""
    overall_manufacturing_index: float | None
    """All three classes weigh the same; None where one has no opportunities."""
    defects_per_unit: Rate | Refused
    estimated_yield: float | None
    """Mean over the boards of the chance to have no defect, from the three rates. None where one is not known."""
    boards: int
    coverage: Proportion | Refused
    """Boards that are counted, of these and the not inspected ones."""
    open_reviews: tuple[Key, ...]
    """Boards with calls that nobody has judged yet: more defects may come."""
    unclassified: tuple[Key, ...]
    """Boards of defects that belong to no class: in no rate."""


def dpmo(
    boards: Keys,
    opportunities: Sequence[Opportunities] | NDArray[Any],
    defect_boards: Sequence[Key],
    defect_classes: Sequence[str | None],
    *,
    stage: Literal["in process", "end item"],
    not_inspected: Keys = (),
    open_reviews: Keys = (),
    level: float = LEVEL,
) -> Dpmo:
    """DPMO of the boards, one entry a board; and their defects, one entry a root defect.

    In arrays: boards by integers; opportunities as rows of component, placement, termination. Raises UsageError for a defect of a board that is not among the boards: it has no opportunities.
    """
    same_length(boards=boards, opportunities=opportunities)
    same_length(defect_boards=defect_boards, defect_classes=defect_classes)
    if stage not in STANDARDS:
        raise UsageError(f"stage is {stage!r}; it can be {', '.join(STANDARDS)}")
    units, apart = set(listed(boards)), set(listed(not_inspected))
    if units & apart:
        raise UsageError("a board is handed in as inspected and as not inspected")
    if len(units) < len(boards):
        raise UsageError("a board is handed in twice: its opportunities would be counted twice")
    strange = set(defect_boards) - units
    if strange:
        raise UsageError(f"defects of boards that are not counted: {sorted(map(str, strange))[:5]}")
    table = np.asarray(
        opportunities if isinstance(opportunities, np.ndarray) else [tuple(o) for o in opportunities],
        np.float64,
    ).reshape(-1, 3)
    rates: dict[str, Rate | Refused] = {}
    shares: list[float] = []
    for place, name in enumerate(CLASSES):
        of = float(table[:, place].sum())
        hit = [board for board, kind in zip(defect_boards, defect_classes, strict=True) if kind == name]
        rates[name] = per_million(len(hit), of, members=hit, level=level)
        shares += [len(hit) / of] if of else []
    counted = [b for b, kind in zip(defect_boards, defect_classes, strict=True) if kind in CLASSES]
    whole = len(shares) == len(CLASSES)
    # A class may have more defects than opportunities where one board is counted again and again; no yield then.
    clean = np.clip(1 - np.asarray(shares), 0, 1)
    return Dpmo(
        standard=STANDARDS[stage],
        component=rates["component"],
        placement=rates["placement"],
        termination=rates["termination"],
        dpmo_index=per_million(len(counted), float(table.sum()), members=counted, level=level),
        overall_manufacturing_index=float(1 - clean.prod()) * MILLION if whole else None,
        defects_per_unit=rate(len(counted), len(boards), members=_once(counted), level=level),
        estimated_yield=float(np.prod(clean**table, axis=1).mean()) if whole else None,
        boards=len(boards),
        coverage=proportion(len(boards), len(boards) + len(apart), level=level),
        open_reviews=_once(open_reviews),
        unclassified=_once(
            [b for b, kind in zip(defect_boards, defect_classes, strict=True) if kind not in CLASSES]
        ),
    )


def _once(keys: Keys) -> tuple[Key, ...]:
    return tuple(dict.fromkeys(listed(keys)))


def per_million(
    defects: int, opportunities: float, *, members: Keys = (), level: float = LEVEL
) -> Rate | Refused:
    """Defects per million opportunities."""
    found = rate(defects, opportunities, members=_once(members), level=level)
    if isinstance(found, Refused):
        return Refused("no opportunities", 0, 1)
    low, high = found.interval.low * MILLION, found.interval.high * MILLION
    return found._replace(value=found.value * MILLION, interval=found.interval._replace(low=low, high=high))


def defects_per_unit(
    defects: Sequence[int] | NDArray[Any], *, keys: Keys | None = None, level: float = LEVEL
) -> Rate | Refused:
    """Mean defects a unit, one entry a unit. Members: the units with a defect."""
    count = np.asarray(defects, np.int64)
    same_length(defects=count, keys=keys)
    hit = at_rows(range(len(count)) if keys is None else keys, np.flatnonzero(count))
    return rate(int(count.sum()), len(count), members=hit, level=level)


def sigma_level(per_million_opportunities: float) -> float:
    """The sigma level by the usual convention of a shift of 1.5 sigma: 3.4 DPMO is 6."""
    positive("defects per million", per_million_opportunities)
    return 1.5 - normal_quantile(per_million_opportunities / MILLION)

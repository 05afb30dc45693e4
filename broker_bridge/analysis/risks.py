"""Relative risks: which reel, nozzle, position or volume band comes with more defects than the rest.

What comes with a defect need not be its cause. Every level of every factor is tested at once, so chance has many
tries; Holm's adjustment keeps the chance of even one false finding in the whole answer below `alpha`.
"""

from collections.abc import Hashable, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import Key, Numbers, between, floats, named, same_length
from broker_bridge.analysis.comparisons import Table, exact_test, holm, risk_ratio
from broker_bridge.analysis.intervals import LEVEL, Interval, Proportion, Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST_DEFECTS: Final = 5
"""Defects below which nothing is told."""
LEAST_EXPECTED: Final = 1.0
"""Expected defects of a level below which it is thin: even many would rarely be told from chance."""


class Risk(Value):
    """One level of a factor against the rest."""

    factor: str
    level: Hashable
    share: Proportion
    """Members: the affected ones."""
    rest: Proportion
    ratio: float
    """Share over share of the rest, within strata if there are; 0.5 stands in for none affected."""
    interval: Interval
    p: float
    """Exact, two-sided, adjusted for everything tested."""
    verdict: str
    """higher, lower, or no difference told."""
    alike: tuple[tuple[str, Hashable], ...]
    """Levels of other factors with nearly the same rows: these data cannot tell which of them it is."""


class Thin(Value):
    """A level of which nothing can be told."""

    factor: str
    level: Hashable
    number: int
    of: int
    reason: str


class Risks(Value):
    """Levels, surest first; higher risk before lower where equally sure."""

    risks: tuple[Risk, ...]
    cannot_tell: tuple[Thin, ...]
    defects: int
    of: int
    unknown: tuple[Key, ...]
    """Rows whose outcome is not known: in no number."""
    dispersion: float
    """How much more unevenly defects fall on boards than chance would; the tests allow for it."""
    alpha: float

    @property
    def found(self) -> tuple[Risk, ...]:
        """Those with more risk than the rest, beyond chance."""
        return tuple(risk for risk in self.risks if risk.verdict == "higher")


def bands(values: Numbers, edges: Sequence[float]) -> tuple[str | None, ...]:
    """Names of the bands a column's values are in; an edge belongs to the band above it. None stays None."""
    if not edges or list(edges) != sorted(set(edges)):
        raise UsageError(f"edges have to rise: {list(edges)}")
    names = [
        f"below {edges[0]:g}",
        *(f"{low:g} to {high:g}" for low, high in zip(edges, edges[1:], strict=False)),
        f"{edges[-1]:g} and more",
    ]
    column = floats("values", values)
    places = np.searchsorted(np.asarray(edges), column, side="right")
    return tuple(
        None if missing else names[place] for place, missing in zip(places, np.isnan(column), strict=True)
    )


def relative_risks(
    defective: Sequence[bool | None],
    factors: Mapping[str, Sequence[Hashable]],
    *,
    keys: Sequence[Key] | None = None,
    strata: Sequence[Hashable] | None = None,
    boards: Sequence[Key] | None = None,
    alpha: float = 0.05,
    level: float = LEVEL,
) -> Risks | Refused:
    """Risks of every level of every factor. Rows are opportunities (a placement, a pad); a factor's None: not known.

    `strata`: compare only within equal entries. Give the part number when comparing reels or nozzles: a difficult part makes
    its reels look bad otherwise. `boards`: the board of each row; defects that come in bunches on a board then
    count for less, as a survey's design effect (Rao and Scott's first-order correction).
    """
    between("alpha", alpha, 0, 1)
    n = same_length(defective=defective, keys=keys, strata=strata, boards=boards, **factors)
    rows = named(keys, n)
    known = np.asarray([value is not None for value in defective], bool)
    hit = np.asarray([value is True for value in defective], bool)
    defects, total = int(hit.sum()), int(known.sum())
    if defects < LEAST_DEFECTS:
        return Refused("too few confirmed defects to compare risks", defects, LEAST_DEFECTS)
    stratum = _codes(strata)[0] if strata is not None else np.zeros(n, np.intp)
    bunched = _dispersion(hit[known], [b for b, k in zip(boards, known, strict=True) if k]) if boards else 1.0
    told: list[tuple[str, Hashable, NDArray[np.bool_], list[Table]]] = []
    thin: list[Thin] = []
    for factor, column in factors.items():
        codes, levels = _codes(column)
        stated = known & np.asarray([value is not None for value in column], bool)
        for code, name in enumerate(levels):
            if name is None:
                continue
            mine = stated & (codes == code)
            tables = _tables(hit, mine, stated & ~mine, stratum)
            exposed, affected = int(mine.sum()), int((hit & mine).sum())
            # Expected where the level has the stratum's own risk: strata without a comparison say nothing.
            expected = sum((a + b) * m / (m + o) for a, m, b, o in tables if m and o)
            possible = sum(o for _, m, _, o in tables if m)
            if exposed == 0:
                continue
            if possible == 0 or expected < LEAST_EXPECTED * bunched:
                why = "nothing to compare with" if possible == 0 else f"{expected:.2g} defects expected"
                thin.append(Thin(factor, name, affected, exposed, why))
            else:
                told.append((factor, name, mine, tables))
    p = holm([exact_test([_deflated(t, bunched) for t in tables]) for *_, tables in told])
    masks = {(factor, name): mine for factor, name, mine, _ in told}
    risks = []
    for (factor, name, mine, tables), chance in zip(told, p, strict=True):
        ratio = risk_ratio(tables, level, bunched)
        share = _share(hit, mine, rows, level)
        others = np.zeros(n, bool)
        for other, column in factors.items():
            if other == factor:
                others = known & ~mine & np.asarray([value is not None for value in column], bool)
        rest = _share(hit, others, (), level)
        if ratio is None or isinstance(share, Refused) or isinstance(rest, Refused):
            thin.append(
                Thin(factor, name, int((hit & mine).sum()), int(mine.sum()), "no defect within its strata")
            )
            continue
        verdict = "no difference told" if chance >= alpha else "higher" if ratio[0] > 1 else "lower"
        alike = _alike(factor, mine, masks) if verdict != "no difference told" else ()
        risks.append(Risk(factor, name, share, rest, *ratio, chance, verdict, alike))
    risks.sort(key=lambda risk: (risk.p, -risk.interval.low))
    unknown = tuple(key for key, is_known in zip(rows, known, strict=True) if not is_known)
    return Risks(tuple(risks), tuple(thin), defects, total, unknown, bunched, alpha)


def _codes(column: Sequence[Hashable]) -> tuple[NDArray[np.intp], list[Hashable]]:
    places: dict[Hashable, int] = {}
    codes = np.fromiter((places.setdefault(value, len(places)) for value in column), np.intp, len(column))
    return codes, list(places)


def _tables(
    hit: NDArray[np.bool_], mine: NDArray[np.bool_], rest: NDArray[np.bool_], stratum: NDArray[np.intp]
) -> list[Table]:
    size = int(stratum.max(initial=0)) + 1
    counts = [np.bincount(stratum[mask], minlength=size) for mask in (hit & mine, mine, hit & rest, rest)]
    return [(int(a), int(m), int(b), int(o)) for a, m, b, o in zip(*counts, strict=True) if m or o]


def _deflated(table: Table, by: float) -> Table:
    a, m, b, o = (int(count / by) for count in table)
    return min(a, m), m, min(b, o), o


def _dispersion(hit: NDArray[np.bool_], boards: Sequence[Key]) -> float:
    """Variance of the defects a board over what independent rows would give; never below one."""
    codes, names = _codes(boards)
    if len(names) < 2:
        return 1.0
    size = np.bincount(codes)
    found = np.bincount(codes, weights=hit)
    share = hit.mean()
    variance = float((((found - size * share) ** 2) / (size * share * max(1e-12, 1 - share))).sum())
    return max(1.0, variance / (len(names) - 1))


def _share(
    hit: NDArray[np.bool_], mine: NDArray[np.bool_], rows: Sequence[Key], level: float
) -> Proportion | Refused:
    members = [rows[i] for i in np.flatnonzero(hit & mine)] if rows else ()
    return proportion(int((hit & mine).sum()), int(mine.sum()), members=members, level=level)


def _alike(
    factor: str, mine: NDArray[np.bool_], masks: Mapping[tuple[str, Hashable], NDArray[np.bool_]]
) -> tuple[tuple[str, Hashable], ...]:
    """Levels of other factors that share nine tenths of the rows."""
    return tuple(
        (other, name)
        for (other, name), theirs in masks.items()
        if other != factor and (mine & theirs).sum() >= 0.9 * (mine | theirs).sum()
    )

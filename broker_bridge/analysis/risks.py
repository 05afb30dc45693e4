"""Relative risks: which reel, nozzle, position or volume band comes with more defects than the rest.

What comes with a defect need not be its cause. Every level of every factor is tested at once, so chance has many
tries; Holm's adjustment keeps the chance of even one false finding in the whole answer below `alpha`.
"""

from collections.abc import Hashable, Mapping, Sequence
from itertools import pairwise
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
"""Expected defects of a level below which finding nothing means nothing: it is thin, not without difference."""


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
        *(f"{low:g} to {high:g}" for low, high in pairwise(edges)),
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
    bunched = 1.0
    if boards is not None:
        bunched = _dispersion(hit[known], [b for b, k in zip(boards, known, strict=True) if k])
    columns = {factor: _Column(hit, known, column, stratum) for factor, column in factors.items()}
    told: list[tuple[str, int, list[Table]]] = []
    thin: list[Thin] = []
    for factor, column in columns.items():
        for code, name in enumerate(column.levels):
            tables = [_deflated(table, bunched) for table in column.tables(code)]
            if name is None or column.rows[code].sum() == 0:
                continue
            if not tables:
                thin.append(column.thin(factor, code, "nothing to compare with"))
            elif _least_chance(tables) > alpha:
                # Tarone (1990): what no outcome could make certain needs no place among the tests.
                thin.append(column.thin(factor, code, "too few to be told from chance, whatever they show"))
            else:
                told.append((factor, code, tables))
    p = holm([exact_test(tables) for *_, tables in told])
    risks = []
    for (factor, code, tables), chance in zip(told, p, strict=True):
        column = columns[factor]
        expected = sum((a + b) * m / (m + o) for a, m, b, o in tables)
        ratio = risk_ratio(column.tables(code), level, bunched)
        if ratio is None or (chance >= alpha and expected < LEAST_EXPECTED):
            thin.append(column.thin(factor, code, f"{expected:.2g} defects expected"))
            continue
        mine = known & (column.codes == code)
        members = [rows[int(i)] for i in np.flatnonzero(hit & mine)]
        share = proportion(len(members), int(mine.sum()), members=members, level=level)
        rest = proportion(*column.rest(code), level=level)
        if isinstance(share, Refused) or isinstance(rest, Refused):
            raise AssertionError("a level that is compared has rows, and so has the rest")
        verdict = "no difference told" if chance >= alpha else "higher" if ratio[0] > 1 else "lower"
        alike = () if verdict == "no difference told" else _alike(factor, mine, known, columns)
        risks.append(Risk(factor, column.levels[code], share, rest, *ratio, chance, verdict, alike))
    risks.sort(key=lambda risk: (risk.p, -risk.interval.low))
    unknown = tuple(key for key, is_known in zip(rows, known, strict=True) if not is_known)
    return Risks(tuple(risks), tuple(thin), defects, total, unknown, bunched, alpha)


class _Column:
    """A factor counted: rows and defects by level and stratum."""

    def __init__(
        self,
        hit: NDArray[np.bool_],
        known: NDArray[np.bool_],
        column: Sequence[Hashable],
        stratum: NDArray[np.intp],
    ) -> None:
        self.codes, self.levels = _codes(column)
        shape = len(self.levels), int(stratum.max(initial=0)) + 1
        cell = self.codes * shape[1] + stratum
        size = shape[0] * shape[1]
        self.rows = np.bincount(cell[known], minlength=size).reshape(shape)
        self.hits = np.bincount(cell[hit & known], minlength=size).reshape(shape)
        stated = np.asarray([name is not None for name in self.levels])
        self.all_rows, self.all_hits = self.rows[stated].sum(axis=0), self.hits[stated].sum(axis=0)

    def tables(self, code: int) -> list[Table]:
        """The level against the rest, stratum by stratum, where both have rows."""
        mine, hits = self.rows[code], self.hits[code]
        others, affected = self.all_rows - mine, self.all_hits - hits
        both = np.flatnonzero((mine > 0) & (others > 0))
        return [(int(hits[s]), int(mine[s]), int(affected[s]), int(others[s])) for s in both]

    def thin(self, factor: str, code: int, reason: str) -> Thin:
        """The level as one that cannot be told."""
        return Thin(factor, self.levels[code], int(self.hits[code].sum()), int(self.rows[code].sum()), reason)

    def rest(self, code: int) -> tuple[int, int]:
        """Affected ones and rows of all other levels."""
        affected = self.all_hits.sum() - self.hits[code].sum()
        return int(affected), int(self.all_rows.sum() - self.rows[code].sum())


def _codes(column: Sequence[Hashable]) -> tuple[NDArray[np.intp], list[Hashable]]:
    places: dict[Hashable, int] = {}
    codes = np.fromiter((places.setdefault(value, len(places)) for value in column), np.intp, len(column))
    return codes, list(places)


def _deflated(table: Table, by: float) -> Table:
    a, m, b, o = table
    return int(a / by), m, int(b / by), o


def _least_chance(tables: Sequence[Table]) -> float:
    """The lowest p that any outcome with these margins could have."""
    most = [min(a + b, m) for a, m, b, _ in tables]
    least = [max(0, a + b - o) for a, _, b, o in tables]
    return min(
        exact_test([(k, m, a + b - k, o) for k, (a, m, b, o) in zip(side, tables, strict=True)])
        for side in (most, least)
    )


def _alike(
    factor: str, mine: NDArray[np.bool_], known: NDArray[np.bool_], columns: Mapping[str, _Column]
) -> tuple[tuple[str, Hashable], ...]:
    """Levels of other factors that share nine tenths of the rows."""
    found: list[tuple[str, Hashable]] = []
    for other, column in columns.items():
        if other == factor:
            continue
        shared = np.bincount(column.codes[mine & known], minlength=len(column.levels))
        union = mine.sum() + column.rows.sum(axis=1) - shared
        found += [
            (other, column.levels[int(code)])
            for code in np.flatnonzero(shared >= 0.9 * union)
            if column.levels[int(code)] is not None
        ]
    return tuple(found)


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

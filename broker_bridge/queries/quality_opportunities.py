"""Defects per opportunity: what chances for a defect the boards had, and each root defect counted once."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.columns import numbered
from broker_bridge.analysis.dpmo import Dpmo, defects_per_unit, dpmo, sigma_level
from broker_bridge.analysis.intervals import Rate
from broker_bridge.analysis.yields import throughput_yield
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Ints, Mask
from broker_bridge.queries.figures import Names, plain, rate
from broker_bridge.queries.parts import Parts
from broker_bridge.queries.quality_looks import Defect, defects, parts_of
from broker_bridge.trace.quality import Figure, Section

CLASSES: Final[Mapping[str, str]] = {
    "missing": "placement", "shifted": "placement", "misaligned": "placement", "rotated": "placement",
    "polarity": "placement", "tombstone": "placement", "upside_down": "placement", "extra": "placement",
    "wrong": "component", "damaged": "component", "value": "component",
    "bridge": "termination", "open": "termination", "insufficient_solder": "termination", "excess_solder": "termination",
    "lifted_lead": "termination", "not_wetted": "termination", "void": "termination", "solder_ball": "termination",
    "insufficient_paste": "termination", "excess_paste": "termination",
}  # fmt: skip
"""The class of opportunity of a defect's word (IPC-9261A's three); our choice, to be overruled by the plant's own."""


class Chances:
    """Opportunities and root defects of the boards that were inspected."""

    def __init__(
        self,
        columns: Columns,
        parts: Parts,
        choice: Choice,
        chosen: Mask,
        open_reviews: Mask,
        found: Sequence[Defect],
        *,
        classes: Mapping[str, str],
        names: Names,
        level: float,
    ) -> None:
        self.columns, self.parts, self.choice, self.chosen = columns, parts, choice, chosen
        self.open_reviews, self.defects, self.level, self.name = open_reviews, found, level, names
        self.classes = {**CLASSES, **classes}
        self.done = columns.looks.is_any("outcome", "passed", "failed")
        self.part, self.parts_of = parts_of(columns.boards)
        self.remarks: list[str] = []

    def section(self, end_item: str | None) -> Section:
        """DPU and DPMO in process, or of the finished product at the station of final evaluation."""
        looks = self.columns.looks
        mask = self.chosen & ~looks.is_any("method", "paste")
        if end_item is not None:
            mask &= looks.is_any("station", end_item)
        first = mask & (looks.column("attempt") == 1)
        board = looks.column("board")
        seen, sides = self._sides(np.flatnonzero(mask & self.done))
        inspected = np.logical_or.reduce(seen)
        units = np.flatnonzero(inspected)
        chances, declared = self._chances(units, seen, sides)
        roots = [d for d in self._roots(defects(self.columns, first)) if inspected[d[0]]]
        known = np.zeros_like(inspected)
        known[units[declared]] = True
        counted = [(b, kind) for b, kind, _ in roots if known[b]]
        waiting = np.unique(board[self.open_reviews & mask])
        unlooked = np.zeros_like(inspected)
        unlooked[board[mask & ~self.done]] = True
        if not declared.all():
            self.remarks.append(
                f"{(~declared).sum()} boards of parts whose placement is not declared are in no DPMO"
            )
        per_board = np.bincount(np.asarray([b for b, _, _ in roots], np.int64), minlength=len(inspected))
        told = defects_per_unit(per_board[units], keys=units, level=self.level)
        figures = [rate("defects per unit (DPU)", told, "per board", "boards", self.name)]
        if isinstance(told, Rate):
            figures.append(
                plain(
                    "throughput yield, exp(-DPU)",
                    throughput_yield(told.value),
                    "share",
                    of=told.of,
                    counted="boards",
                )
            )
        if declared.any():
            found = dpmo(
                units[declared], chances[declared], [b for b, _ in counted], [kind for _, kind in counted],
                stage="in process" if end_item is None else "end item", not_inspected=np.flatnonzero(unlooked & ~inspected),
                open_reviews=waiting, level=self.level,
            )  # fmt: skip
            figures += self._dpmo(found)
        title = f"Defects per opportunity, {'IPC-9261A, in process' if end_item is None else f'IPC-7912A, end item at {end_item}'}"
        return Section(
            title, tuple(figures), "one root defect counts once; confirmed ones only, at attempt 1"
        )

    def inspected(self, rows: Ints) -> tuple[int, str]:
        """Opportunities that these looks saw, and what they count."""
        looks = self.columns.looks
        done = rows[self.done[rows]]
        inspected, of = looks.column("inspected")[done], looks.column("of")[done]
        if len(done) and (inspected >= 0).all() and (of == of[0]).all():
            return int(inspected.sum()), looks.words[of[0]] or "opportunities"
        part, side = self.part[looks.column("board")[done]], looks.column("side")[done]
        kind, first = numbered(side * len(self.parts_of) + part)
        total = 0
        for one, often in zip(first.tolist(), np.bincount(kind).tolist(), strict=True):
            declared = self.parts.opportunities(self.parts_of[part[one]], {looks.words[side[one]]})
            if declared is None:
                return len(done), "boards"
            total += often * declared.placement
        return total, "components"

    def _sides(self, rows: Ints) -> tuple[Mask, list[str | None]]:
        """Whether these looks saw a side (first axis) of a board (second); and the sides."""
        looks = self.columns.looks
        code, first = numbered(looks.column("side")[rows])
        seen = np.zeros((len(first), len(self.columns.boards)), bool)
        seen[code, looks.column("board")[rows]] = True
        return seen, looks.texts("side", rows[first])

    def _chances(self, units: Ints, seen: Mask, sides: Sequence[str | None]) -> tuple[Ints, Mask]:
        """Opportunities of these boards, one row a board, and whether they are declared; told once a part and sides."""
        kind = self.part[units]
        for side in seen:
            kind = numbered(kind * 2 + side[units])[0]
        kind, first = numbered(kind)
        told = [
            self.parts.opportunities(
                self.parts_of[self.part[unit]],
                {side for side, mask in zip(sides, seen, strict=True) if mask[unit]},
            )
            for unit in units[first].tolist()
        ]
        table = np.asarray([tuple(one or (0, 0, 0)) for one in told], np.int64).reshape(-1, 3)
        return table[kind], np.asarray([one is not None for one in told], bool)[kind]

    def _roots(self, found: Sequence[Defect]) -> list[tuple[int, str | None, Defect]]:
        """One of each root: a component or placement defect once a component, a termination defect once a joint."""
        seen: dict[tuple[Any, ...], tuple[int, str | None, Defect]] = {}
        for one in found:
            if not self.choice.at(one.spot.designator):
                continue
            kind = self.classes.get(one.word)
            place = one.spot if kind == "termination" else (one.spot.designator or one.spot.pad,)
            seen.setdefault((one.board, kind, *place), (one.board, kind, one))
        bodies = {
            (b, d.spot.designator) for b, kind, d in seen.values() if kind in ("component", "placement")
        }
        return [
            (b, kind, d) for b, kind, d in seen.values()
            if kind != "termination" or (b, d.spot.designator) not in bodies
        ]  # fmt: skip

    def _dpmo(self, found: Dpmo) -> list[Figure]:
        ppm = "per million"
        figures = [
            rate(f"DPMO, {name}", told, ppm, "opportunities", self.name)
            for name, told in (
                ("component", found.component), ("placement", found.placement), ("termination", found.termination),
                ("index", found.dpmo_index),
            )
        ]  # fmt: skip
        if found.overall_manufacturing_index is not None:
            figures.append(plain("overall manufacturing index", found.overall_manufacturing_index, ppm))
        if found.estimated_yield is not None:
            figures.append(
                plain("estimated yield", found.estimated_yield, "share", of=found.boards, counted="boards")
            )
        if isinstance(found.dpmo_index, Rate) and 0 < found.dpmo_index.value < 1e6:
            figures.append(plain("sigma level (shift 1.5)", sigma_level(found.dpmo_index.value)))
        if found.unclassified:
            boards = sorted(self.name(b) for b in found.unclassified)
            words = sorted({d.word for d in self.defects if d.word not in self.classes})
            figures.append(
                plain("boards with defects of no class", len(boards), boards=boards,
                      note=f"in no DPMO: {', '.join(words)}; name their class with --class")
            )  # fmt: skip
        return figures

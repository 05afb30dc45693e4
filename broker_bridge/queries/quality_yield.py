"""Yields, defects per million opportunities, false calls and escapes, each with its ground."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.calls import quality_of_counts
from broker_bridge.analysis.columns import distinct, numbered
from broker_bridge.analysis.dpmo import Dpmo, defects_per_unit, dpmo, per_million, sigma_level
from broker_bridge.analysis.intervals import Rate, Refused, proportion
from broker_bridge.analysis.pareto import Pareto, pareto
from broker_bridge.analysis.yields import (
    RolledYield,
    Yield,
    first_pass,
    first_pass_by,
    rolled_throughput,
    throughput_yield,
)
from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Ints, Mask
from broker_bridge.queries.figures import plain, rate, refused, share
from broker_bridge.queries.parts import Parts
from broker_bridge.queries.quality_escapes import Later
from broker_bridge.queries.quality_looks import (
    CONFIRMED,
    GOOD,
    GROUPS,
    TESTS,
    UNDECIDED,
    UNJUDGED,
    Defect,
    Outcomes,
    Step,
    defects,
    ground,
    groups,
    judged_calls,
    last_of,
    outcomes,
    parts_of,
    step_name,
    steps_of,
)
from broker_bridge.trace.quality import Answer, Figure, Plot, Section

CLASSES: Final[Mapping[str, str]] = {
    "missing": "placement", "shifted": "placement", "misaligned": "placement", "rotated": "placement",
    "polarity": "placement", "tombstone": "placement", "upside_down": "placement", "extra": "placement",
    "wrong": "component", "damaged": "component", "value": "component",
    "bridge": "termination", "open": "termination", "insufficient_solder": "termination", "excess_solder": "termination",
    "lifted_lead": "termination", "not_wetted": "termination", "void": "termination", "solder_ball": "termination",
    "insufficient_paste": "termination", "excess_paste": "termination",
}  # fmt: skip
"""The class of opportunity of a defect's word (IPC-9261A's three); our choice, to be overruled by the plant's own."""


def quality_yield(
    columns: Columns,
    parts: Parts,
    choice: Choice,
    *,
    stage: str = "reviewed",
    by: str | None = None,
    end_item: str | None = None,
    classes: Mapping[str, str] | None = None,
    level: float = 0.95,
) -> Answer:
    """The yields of what is asked for; `by` tells each group apart; `end_item` names the station of final evaluation."""
    if by is not None and by not in GROUPS:
        raise UsageError(f"--by {by}: there are {', '.join(GROUPS)}")
    view = _View(columns, parts, choice, stage, classes or {}, level)
    steps = steps_of(columns, view.chosen)
    if not steps:
        return view.answer("No inspection or test of it is in the record.", [], [], False)
    sections = [view.first_pass(steps), view.rolled(steps)]
    if by is not None:
        sections.append(view.grouped(steps, by))
    sections += [view.opportunities(end_item), view.calls(steps)]
    told = [section for section in sections if section.figures]
    plots = view.paretos()
    return view.answer(view.sentence(told[0], plots), told, plots, bool(view.defects or view.any_failed))


class _View:
    """One question's looks and what was made of them."""

    def __init__(
        self,
        columns: Columns,
        parts: Parts,
        choice: Choice,
        stage: str,
        classes: Mapping[str, str],
        level: float,
    ) -> None:
        self.columns, self.parts, self.choice, self.stage, self.level = columns, parts, choice, stage, level
        self.classes = {**CLASSES, **classes}
        self.chosen = columns.chosen(choice)
        self.judged: Outcomes = outcomes(columns, stage)
        self.results = self.judged.results
        self.name = cache(columns.boards.key)
        self.done = columns.looks.is_any("outcome", "passed", "failed")
        self.part, self.parts_of = parts_of(columns.boards)
        self.panel, self.in_panel = numbered(columns.boards.panels)
        self.defects: list[Defect] = [
            d for d in defects(columns, self.chosen) if choice.at(d.spot.designator)
        ]
        self.found: dict[Step, Yield] = {}
        """Boards of each step."""
        self.any_failed = False
        self.remarks: list[str] = []
        self.bars: dict[str, Pareto] = {}

    # -- yields

    def first_pass(self, steps: Mapping[Step, Ints]) -> Section:
        figures: list[Figure] = []
        for step, rows in steps.items():
            found = self.found[step] = self._first_pass(rows)
            figures += [
                self._yield(f"{step_name(step)}, boards", found, "boards", self._missed(steps, step)),
                self._yield(f"{step_name(step)}, panels", self._first_pass(rows, panels=True), "panels", 0),
            ]
        what = "last attempt" if self.stage == "reworked" else "attempt 1"
        return Section(
            f"Yield by step, {what}, as {self.stage}", tuple(figures),
            "passed of those with a result; what was skipped, bypassed, not inspected or not judged is in none of the two",
        )  # fmt: skip

    def _first_pass(self, rows: Ints, *, panels: bool = False) -> Yield:
        """Of all looks; as reworked of the last of each board, as if it were the first."""
        boards = self.columns.looks.column("board")[rows]
        if self.stage == "reworked":
            last = last_of(boards)
            rows, boards = rows[last], boards[last]
        return first_pass(
            boards, self._attempts(rows), self.results[rows], open_reviews=self.judged.open_reviews[rows],
            panels=self.panel[boards] if panels else None, level=self.level,
        )  # fmt: skip

    def _first_pass_by(self, rows: Ints, group: Ints) -> list[Yield]:
        """The same of each group."""
        boards = self.columns.looks.column("board")[rows]
        if self.stage == "reworked":
            last = last_of(group * len(self.columns.boards) + boards)
            rows, boards, group = rows[last], boards[last], group[last]
        return first_pass_by(
            group, boards, self._attempts(rows), self.results[rows], open_reviews=self.judged.open_reviews[rows],
            level=self.level,
        )  # fmt: skip

    def _attempts(self, rows: Ints) -> Ints:
        attempts = self.columns.looks.column("attempt")[rows]
        return np.ones_like(attempts) if self.stage == "reworked" else attempts

    def _yield(self, name: str, found: Yield, counted: str, missed: int) -> Figure:
        self.any_failed = self.any_failed or len(found.failed) > 0
        names = self.name if counted == "boards" else self._panel_name
        silent = len(found.without_outcome) + missed
        known = 0 if isinstance(found.share, Refused) else found.share.of
        every = known + silent + len(found.contradicting)
        details: dict[str, Any] = {
            "failed": len(found.failed),
            "coverage": known / every if every else None,
            "no result": silent,
            "contradicting": len(found.contradicting),
            "open reviews": len(found.open_reviews),
        }
        return share(name, found.share, counted, names, of=found.failed, **details)

    def _panel_name(self, panel: int) -> str:
        return self.columns.boards.panel(int(self.in_panel[panel]))

    def _missed(self, steps: Mapping[Step, Ints], step: Step) -> int:
        """Boards of the same parts that were looked at in a later step, and never in this one."""
        looks = self.columns.looks
        board, part = looks.column("board"), looks.column("part")
        here = steps[step]
        same = np.zeros(len(looks.words), bool)
        same[part[here]] = True
        later = np.zeros(len(self.columns.boards), bool)
        for other in list(steps)[list(steps).index(step) + 1 :]:
            if other[0] == step[0]:
                rows = steps[other]
                later[board[rows[same[part[rows]]]]] = True
        later[board[here]] = False
        return int(later.sum())

    def rolled(self, steps: Mapping[Step, Ints]) -> Section:
        counts: dict[str, tuple[int, int]] = {}
        clean, dirty = (np.zeros(len(self.columns.boards), bool) for _ in range(2))
        for step in steps:
            found = self.found[step]
            if not isinstance(found.share, Refused):
                counts[step_name(step)] = (found.share.number, found.share.of)
                clean[np.asarray(found.share.members)] = True
                dirty[np.asarray(found.failed)] = True
        told = rolled_throughput(counts, self.level)
        figures = []
        if isinstance(told, RolledYield):
            steps_in = f"{len(told.steps)} steps"
            figures += [
                plain(
                    "rolled throughput yield", told.value, "share", spans=[told.interval], counted=steps_in
                ),
                plain("normalized yield of a step", told.normalized, "share", counted=steps_in),
            ]
        else:
            figures.append(refused("rolled throughput yield", told))
        right = np.flatnonzero(clean & ~dirty)
        found_right = proportion(len(right), int((clean | dirty).sum()), members=right, level=self.level)
        figures.append(
            share(
                "right in every step that was seen",
                found_right,
                "boards",
                self.name,
                of=np.flatnonzero(dirty),
            )
        )
        return Section("All steps together", tuple(figures), "the product takes the steps to be independent")

    def grouped(self, steps: Mapping[Step, Ints], by: str) -> Section:
        figures = []
        for step, rows in steps.items():
            code, names = groups(self.columns, by, rows)
            told = zip(names, self._first_pass_by(rows, code), strict=True)
            for group, found in sorted(told, key=lambda one: one[0]):
                figures.append(self._yield(f"{group}, {step_name(step)}", found, "boards", 0))
        return Section(f"Yield by {GROUPS[by]}", tuple(figures))

    # -- opportunities

    def opportunities(self, end_item: str | None) -> Section:
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
        waiting = np.unique(board[self.judged.open_reviews & mask])
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

    # -- how well it is called

    def calls(self, steps: Mapping[Step, Ints]) -> Section:
        looks = self.columns.looks
        figures: list[Figure] = []
        found_later = Later(self.columns, self.parts, self.chosen, self.choice)
        board = looks.column("board")
        look, kind = judged_calls(self.columns)
        at = np.fromiter(
            (self.choice.at(call.spot.designator) for call in self.columns.calls), bool, len(look)
        )
        for step, rows in steps.items():
            mine = np.zeros(len(looks), bool)
            mine[rows] = True
            called = at & mine[look]
            if step[3] == "paste" and not (kind[called] != UNJUDGED).any():
                continue  # nobody judges calls of paste here
            if step[3] in TESTS and not called.any():
                continue  # a test that calls no place
            hit, false, waiting = (
                board[look[called & of]]
                for of in (kind == CONFIRMED, kind == GOOD, (kind == UNJUDGED) | (kind == UNDECIDED))
            )
            inspected, counted = self._inspected(rows)
            escaped = found_later.items_of(mine)
            again = found_later.looked_again(rows)
            if not (len(hit) or len(false) or inspected):
                continue
            name = step_name(step)
            good = max(inspected - len(hit) - len(escaped) - len(waiting), len(false))
            told = quality_of_counts(
                hit=len(hit), false=len(false), escaped=len(escaped), good=good, looked_again=again > 0,
                level=self.level, members=(hit, false, escaped),
            )  # fmt: skip
            judged = proportion(len(false), len(false) + len(hit), members=false, level=self.level)
            ahead: dict[str, Any] = {"open reviews": distinct(waiting)}
            figures += [
                share(f"{name}: false calls of judged calls", judged, "judged calls", self.name, **ahead),
                rate(
                    f"{name}: false calls", per_million(len(false), inspected, members=false, level=self.level),
                    "per million", f"{counted} inspected", self.name, **ahead,
                ),
                share(f"{name}: escapes of known defects", told.escape_rate, "known defects", self.name),
                rate(f"{name}: escapes", told.escapes_ppm, "per million", f"{counted} inspected", self.name),
            ]  # fmt: skip
            if again:
                figures[-2] = figures[-2]._replace(
                    details={"boards looked at again": again, "boards": distinct(board[rows])}
                )
        return Section(
            "How well it is called", tuple(figures),
            "an escape is known only where something looked again and found it",
        )  # fmt: skip

    def _inspected(self, rows: Ints) -> tuple[int, str]:
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

    # -- the rest

    def paretos(self) -> list[Plot]:
        looks = self.columns.looks
        board = looks.column("board")
        plots = []
        confirmed = bool(self.defects)
        if confirmed:
            keys = [d.board for d in self.defects]
            kinds: dict[str, list[str | None]] = {
                "Confirmed defects by word": [d.word for d in self.defects],
                "Confirmed defects by component": [d.spot.designator for d in self.defects],
            }
        else:
            calls = [self.columns.calls[n] for n in self.columns.calls_of(self.chosen)]
            calls = [call for call in calls if self.choice.at(call.spot.designator)]
            keys = [int(board[call.look]) for call in calls]
            kinds = {
                "Calls by word, nothing confirmed": [call.defect or call.label for call in calls],
                "Calls by component, nothing confirmed": [call.spot.designator for call in calls],
            }
        for title, categories in kinds.items():
            found = pareto(categories, keys=keys, level=self.level)
            if isinstance(found, Pareto):
                plots.append(pareto_plot(title, found))
                self.bars[title] = found
        return plots

    def sentence(self, yields: Section, plots: Sequence[Plot]) -> str:
        told = [f for f in yields.figures if f.value is not None and f.counted == "boards"]
        if not told:
            return "No board has a result there: no yield can be told."
        worst = min(told, key=lambda figure: figure.value or 0)
        low, high = worst.spans[0].low, worst.spans[0].high
        text = (
            f"Of {worst.of:.0f} boards at {worst.name.removesuffix(', boards')} {worst.value:.1%} were right"
            f" {'at last' if self.stage == 'reworked' else 'at the first attempt'}, as {self.stage}; the true share lies"
            f" between {low:.1%} and {high:.1%} with {self.level:.0%} certainty."
        )
        silent = int(worst.details.get("no result") or 0)
        if silent:
            text += f" {silent} more have no result there"
            waiting = int(worst.details.get("open reviews") or 0)
            text += f", {waiting} of them with calls that nobody has judged" if waiting else ""
            text += ": they are in none of these."
        if len(told) > 1:
            text = text.replace("Of ", "The lowest of the steps: of ", 1)
        if self.defects and plots:
            text += f" Most often: {plots[0].labels[0]}, {int(plots[0].points[0] or 0)} of {len(self.defects)} confirmed defects."
        return text

    def answer(self, sentence: str, sections: list[Section], plots: list[Plot], found: bool) -> Answer:
        columns = self.columns
        for title, bars in self.bars.items():
            figures = tuple(
                plain(
                    bar.category, bar.share, "share", number=bar.weight, of=bars.total, counted="rows",
                    spans=[bar.interval] if bar.interval else [], details={"cumulative": bar.cumulative},
                    boards=sorted({self.name(b) for b in bar.members}),
                )
                for bar in bars.bars
            )  # fmt: skip
            sections = [*sections, Section(title, figures)]
        remarks = [*self.remarks, *ground(columns, self.chosen)]
        return Answer(
            "yield",
            sentence,
            self.choice.words(),
            tuple(sections),
            tuple(plots),
            tuple(remarks),
            found,
            columns.as_of,
        )


def pareto_plot(title: str, found: Pareto) -> Plot:
    """Bars in order of their weight, with the cumulative share."""
    return Plot(
        "pareto", title, tuple(bar.category for bar in found.bars), "rows",
        tuple(bar.weight for bar in found.bars), tuple(bar.cumulative for bar in found.bars),
    )  # fmt: skip

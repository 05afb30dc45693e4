"""Yields, defects per million opportunities, false calls and escapes, each with its ground."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from broker_bridge.analysis.calls import quality_of_counts
from broker_bridge.analysis.columns import distinct, numbered
from broker_bridge.analysis.dpmo import per_million
from broker_bridge.analysis.intervals import Refused, proportion
from broker_bridge.analysis.pareto import Pareto, pareto
from broker_bridge.analysis.yields import (
    RolledYield,
    Yield,
    first_pass,
    first_pass_by,
    rolled_throughput,
)
from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Ints
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
    step_name,
    steps_of,
)
from broker_bridge.queries.quality_opportunities import Chances
from broker_bridge.trace.quality import Answer, Figure, Plot, Section


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
    sections += [view.chances.section(end_item), view.calls(steps)]
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
        self.chosen = columns.chosen(choice)
        self.judged: Outcomes = outcomes(columns, stage)
        self.results = self.judged.results
        self.name = cache(columns.boards.key)
        self.panel, self.in_panel = numbered(columns.boards.panels)
        self.defects: list[Defect] = [
            d for d in defects(columns, self.chosen) if choice.at(d.spot.designator)
        ]
        self.found: dict[Step, Yield] = {}
        """Boards of each step."""
        self.any_failed = False
        self.chances = Chances(
            columns, parts, choice, self.chosen, self.judged.open_reviews, self.defects, classes=classes, names=self.name,
            level=level,
        )  # fmt: skip
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
            inspected, counted = self.chances.inspected(rows)
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
        remarks = [*self.chances.remarks, *ground(columns, self.chosen)]
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

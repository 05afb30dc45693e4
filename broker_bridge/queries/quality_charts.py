"""Control charts of a series, with what the rules say, and capability."""

from collections.abc import Hashable, Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.capability import (
    LEAST,
    Capability,
    Indices,
    PercentileCapability,
    capability,
    percentile_capability,
)
from broker_bridge.analysis.control_charts import (
    Chart,
    attribute_chart,
    autocorrelation,
    individuals,
    x_bar_r,
    x_bar_s,
)
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.normality import Normality
from broker_bridge.analysis.run_rules import LIMITS, NELSON, WESTERN_ELECTRIC
from broker_bridge.analysis.weighted_charts import Cusum, Ewma, cusum, ewma
from broker_bridge.errors import UsageError
from broker_bridge.queries.figures import plain, refused, span
from broker_bridge.queries.quality_series import Series
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.quality import Answer, Figure, Mark, Plot, Section

KINDS: Final = ("i-mr", "xbar-r", "xbar-s", "p", "np", "c", "u", "ewma", "cusum")
RULES: Final = {"limits": LIMITS, "we": WESTERN_ELECTRIC, "nelson": NELSON}
BINS: Final = 20


def quality_charts(
    series: Series,
    kind: str,
    as_of: AsOf,
    asked: str,
    *,
    rules: str = "we",
    size: int = 5,
    baseline: int | None = None,
    target: float | None = None,
    sigma: float | None = None,
) -> Answer:
    """The chart of a series. `baseline`: the first points its limits come from; without it all do."""
    if kind not in KINDS:
        raise UsageError(f"--kind {kind}: there are {', '.join(KINDS)}")
    if rules not in RULES:
        raise UsageError(f"--rules {rules}: there are {', '.join(RULES)}")
    if baseline is not None and baseline < 1:
        raise UsageError(f"--baseline {baseline}: expected a number of points above 0")
    made = _Charted(series, baseline, RULES[rules], size)
    found = made.weighted(kind, target, sigma) if kind in ("ewma", "cusum") else made.shewhart(kind)
    remarks = [*series.remarks, *made.remarks]
    if isinstance(found, Refused):
        sections: tuple[Section, ...] = (Section(series.name, (refused(f"chart {kind}", found, "points"),)),)
        return Answer(
            "charts",
            f"No limits can be told: {found.reason}.",
            asked,
            sections,
            (),
            tuple(remarks),
            False,
            as_of,
        )
    sections_, plots = found
    hits = [mark for plot in plots for mark in plot.marks]
    return Answer(
        "charts",
        made.sentence(plots, hits),
        asked,
        tuple(sections_),
        tuple(plots),
        tuple(remarks),
        bool(hits),
        as_of,
    )


class _Charted:
    def __init__(self, series: Series, baseline: int | None, rules: Sequence[str], size: int) -> None:
        self.series, self.rules, self.size = series, rules, size
        self.remarks: list[str] = []
        self.named = any(series.phases)
        self.phases: list[Hashable] | None = _runs(series.phases) if self.named else None
        self.known = baseline

    def _base(self, points: int) -> list[bool] | None:
        return None if self.known is None else [place < self.known for place in range(points)]

    def shewhart(self, kind: str) -> tuple[list[Section], list[Plot]] | Refused:
        """Individuals, subgroups or counts."""
        series = self.series
        n = len(series.values)
        if kind in ("p", "np", "c", "u"):
            sizes: Any = series.sizes if kind in ("p", "u") else _one_size(series, kind)
            chart = attribute_chart(
                kind,
                series.values,
                sizes,
                keys=range(n),
                phases=self.phases,
                baseline=self._base(n),
                rules=self.rules,
            )
            return chart if isinstance(chart, Refused) else self._told([chart], series.boards, series.labels)
        if kind == "i-mr":
            pair = individuals(
                series.values, keys=range(n), phases=self.phases, baseline=self._base(n), rules=self.rules
            )
            return pair if isinstance(pair, Refused) else self._told(pair, series.boards, series.labels)
        rows, labels, boards, phases = self._subgroups()
        make = x_bar_r if kind == "xbar-r" else x_bar_s
        if not rows:
            return Refused(f"subgroups of {self.size} need as many values", n, self.size)
        pair = make(
            rows, keys=range(len(rows)), phases=phases, baseline=self._base(len(rows)), rules=self.rules
        )
        return pair if isinstance(pair, Refused) else self._told(pair, boards, labels)

    def _subgroups(self) -> tuple[list[list[float]], list[str], list[tuple[str, ...]], list[Hashable] | None]:
        series, size = self.series, self.size
        if size < 2:
            raise UsageError(f"--size {size}: a subgroup has two values or more")
        whole = len(series.values) // size
        left = len(series.values) - whole * size
        if left:
            self.remarks.append(f"the last {left} values make no whole subgroup of {size}: in no point")
        cut = [slice(i * size, (i + 1) * size) for i in range(whole)]
        boards = [tuple(sorted({b for own in series.boards[part] for b in own})) for part in cut]
        phases = None if self.phases is None else [self.phases[part.start] for part in cut]
        return (
            [series.values[part] for part in cut],
            [series.labels[part.start] for part in cut],
            boards,
            phases,
        )

    def _told(
        self, charts: Sequence[Chart], boards: Sequence[tuple[str, ...]], labels: Sequence[str]
    ) -> tuple[list[Section], list[Plot]]:
        sections, plots = [], []
        for chart in charts:
            marks = tuple(
                Mark(
                    s.place, s.rule, s.meaning, len(s.members),
                    tuple(sorted({b for member in s.members for b in boards[int(str(member))]})),
                )
                for s in chart.signals
            )  # fmt: skip
            unit = (
                self.series.unit
                if chart.kind not in ("p", "u")
                else ("share failed" if chart.kind == "p" else f"{self.series.unit} per board")
            )
            plots.append(
                Plot(
                    "control", f"{self.series.name}: {chart.kind} chart", tuple(labels), unit, chart.points, chart.centre, chart.lower,
                    chart.upper, marks, tuple(str(phase) for phase in self.phases or ()) if len(chart.points) == len(self.phases or ()) else (),
                )
            )  # fmt: skip
            figures = [
                plain(
                    f"centre{'' if phase.name is None else f', phase {phase.name}'}", phase.centre, unit, of=phase.baseline,
                    counted="points of the baseline", details={"sigma": phase.sigma, "kind": chart.kind},
                )
                for phase in chart.phases
            ]  # fmt: skip
            figures += [
                Figure(
                    f"{labels[mark.place]}", chart.points[mark.place], unit, note=f"{mark.rule}: {mark.meaning}",
                    details={"kind": chart.kind}, boards=mark.boards,
                )
                for mark in marks
            ]  # fmt: skip
            sections.append(Section(f"{chart.kind} chart of {self.series.name}", tuple(figures)))
            self.remarks += [remark for remark in chart.remarks if remark not in self.remarks]
        return sections, plots

    def weighted(
        self, kind: str, target: float | None, sigma: float | None
    ) -> tuple[list[Section], list[Plot]] | Refused:
        """EWMA and CUSUM; target and sigma from the baseline where they are not given."""
        series = self.series
        n = len(series.values)
        values: Any = series.values
        if target is None or sigma is None:
            base = individuals(values, keys=range(n), baseline=self._base(n))
            if isinstance(base, Refused):
                return base
            phase = base[0].phases[0]
            target, sigma = (
                (phase.centre if target is None else target),
                (phase.sigma if sigma is None else sigma),
            )
            self.remarks.append(
                f"target {target:.6g} and sigma {sigma:.4g}, where not given, are the baseline's own ({phase.baseline} points)"
            )
        if sigma <= 0:
            return Refused("the values do not vary", 0)
        near = autocorrelation(values)
        if not isinstance(near, Refused) and near[1]:
            self.remarks.append(
                f"neighbouring points depend on each other (lag-1 correlation {near[0]:.2f}): rules mislead"
            )
        found: Ewma | Cusum | Refused
        found = ewma(values, target=target, sigma=sigma, keys=range(n)) if kind == "ewma" else cusum(
            values, target=target, sigma=sigma, keys=range(n)
        )  # fmt: skip
        if isinstance(found, Refused):
            return found
        places = {int(str(key)): place for place, key in enumerate(found.keys)}
        labels = tuple(series.labels[int(str(key))] for key in found.keys)
        rule, meaning = (
            ("limit", "average outside its limits")
            if isinstance(found, Ewma)
            else ("decision", "sum beyond the decision interval")
        )
        marks = tuple(
            Mark(places[int(str(key))], rule, meaning, 1, series.boards[int(str(key))])
            for key in found.signals
        )
        figures = [plain("target", target, series.unit), plain("sigma", sigma, series.unit)]
        if isinstance(found, Ewma):
            plots = [
                Plot("control", f"{series.name}: EWMA chart", labels, series.unit, found.points, (target,) * len(labels), found.lower,
                     found.upper, marks)
            ]  # fmt: skip
        else:
            zero = (0.0,) * len(labels)
            up = tuple(mark for mark in marks if found.above[mark.place] > found.decision)
            down = tuple(mark for mark in marks if found.below[mark.place] > found.decision)
            plots = [
                Plot(
                    "control",
                    f"{series.name}: CUSUM {name}",
                    labels,
                    series.unit,
                    points,
                    zero,
                    (),
                    (found.decision,) * len(labels),
                    own,
                )
                for name, points, own in (("above", found.above, up), ("below", found.below, down))
            ]
            figures.append(plain("points between false alarms, on average", found.false_alarm_every))
            if found.began is not None:
                figures.append(
                    plain("the shift probably began at", None, note=series.labels[int(str(found.began))])
                )
        figures += [
            Figure(labels[mark.place], series.values[int(str(found.keys[mark.place]))], series.unit, note=f"{mark.rule}: {mark.meaning}",
                   boards=mark.boards)
            for mark in marks
        ]  # fmt: skip
        return [Section(f"{kind.upper()} chart of {series.name}", tuple(figures))], plots

    def sentence(self, plots: Sequence[Plot], hits: Sequence[Mark]) -> str:
        """What it means."""
        n = sum(point is not None for point in plots[0].points)
        if not hits:
            return f"{self.series.name}: {n} points, no rule is hit; nothing says that the process changed."
        first = min(hits, key=lambda mark: mark.place)
        places = len({mark.place for mark in hits})
        chance = "Chance alone hits such rules now and then: look for a cause before anything is changed."
        return (
            f"{self.series.name}: rules are hit at {places} of {n} points, first at {plots[0].labels[first.place]}"
            f" ({first.rule}: {first.meaning}). {chance}"
        )


def _runs(phases: Sequence[str]) -> list[Hashable]:
    """Phases as stretches: what comes back gets a number."""
    found: list[Hashable] = []
    times: dict[str, int] = {}
    last: str | None = None
    for phase in phases:
        if phase != last:
            times[phase] = times.get(phase, 0) + 1
            last = phase
        found.append(phase if times[phase] == 1 else f"{phase} ({times[phase]})")
    return found


def _one_size(series: Series, kind: str) -> float:
    sizes = set(series.sizes)
    if len(sizes) > 1:
        raise UsageError(
            f"chart {kind} needs points of one size, here they are {min(sizes):g} to {max(sizes):g} boards; take"
            f" {'p' if kind == 'np' else 'u'}, or --per a number of boards"
        )
    return sizes.pop() if sizes else 1.0


def quality_capability(
    series: Series,
    as_of: AsOf,
    asked: str,
    *,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    size: int = 1,
    least: int = LEAST,
    level: float = 0.95,
) -> Answer:
    """Capability of a series against limits: those given, else those stated in the record."""
    lower = series.lower if lower is None else lower
    upper = series.upper if upper is None else upper
    target = series.nominal if target is None else target
    if lower is None and upper is None:
        raise UsageError(f"{series.name} has no limits in the record: give --lower, --upper or both")
    values: Any = series.values
    if size > 1:
        whole = len(values) // size * size
        values = np.asarray(values[:whole]).reshape(-1, size)
    found = capability(values, lower=lower, upper=upper, target=target, level=level, least=least)
    told = [plain("lower limit", lower, series.unit), plain("upper limit", upper, series.unit)]
    told += [plain("target", target, series.unit)] if target is not None else []
    sections = [Section("Limits in force", tuple(figure for figure in told if figure.value is not None))]
    column = np.asarray(series.values, np.float64)
    outside = [
        i
        for i, v in enumerate(series.values)
        if (lower is not None and v < lower) or (upper is not None and v > upper)
    ]
    boards = sorted({b for i in outside for b in series.boards[i]})
    plots = (
        [_histogram(series, column, lower, upper, target)]
        if len(column) > 1 and np.nanmax(column) > np.nanmin(column)
        else []
    )
    if isinstance(found, Refused):
        sections.append(Section(series.name, (refused("capability", found, "values"),)))
        sentence = f"{series.name}: no index is told, {found.reason} ({found.have:g}, {found.need or 0:g} are needed)."
        return Answer(
            "capability", sentence, asked, tuple(sections), tuple(plots), series.remarks, bool(outside), as_of
        )
    sections += [_indices("within (what it can do)", ("Cp", "Cpl", "Cpu", "Cpk", "Cpm"), found.within, found),
                 _indices("overall (what it did)", ("Pp", "Ppl", "Ppu", "Ppk", "Ppm"), found.overall, found)]  # fmt: skip
    sections.append(_ground(series, found, boards))
    free = percentile_capability(series.values, lower=lower, upper=upper, level=level)
    sections.append(_percentiles(free, series.unit))
    low = found.overall.worse[1].low
    sentence = (
        f"{series.name}: Ppk {found.overall.worse[0]:.2f} from {found.of} values, {low:.2f} at least with {(1 + level) / 2:.1%} certainty;"
        f" {found.outside} values are outside."
    )
    if isinstance(found.normality, Normality) and found.normality.p < 0.05:
        sentence += " The values are not normal: take the percentiles, not the indices."
    return Answer(
        "capability",
        sentence,
        asked,
        tuple(sections),
        tuple(plots),
        (*series.remarks, *found.remarks),
        bool(outside),
        as_of,
    )


def _indices(title: str, names: Sequence[str], found: Indices, of: Capability) -> Section:
    rows = zip(names, (found.both, found.lower, found.upper, found.worse, found.target), strict=True)
    figures = [
        plain(name, told[0], "", spans=[told[1]], of=of.of, counted="values")
        for name, told in rows
        if told is not None
    ]
    figures.append(plain("sigma", found.sigma))
    figures.append(plain("expected outside, if normal", found.fallout_ppm, "per million"))
    return Section(f"Capability {title}", tuple(figures))


def _ground(series: Series, found: Capability, boards: list[str]) -> Section:
    figures = [
        plain("mean", found.mean, series.unit, of=found.of, counted="values"),
        plain("values outside", found.outside, "", of=found.of, counted="values", boards=boards),
    ]
    if found.off_centre is not None:
        figures.append(plain("off centre (k)", found.off_centre, "share of half the width"))
    if isinstance(found.normality, Normality):
        note = "not normal" if found.normality.p < 0.05 else "nothing speaks against normal"
        figures.append(
            plain(
                "Anderson-Darling A2",
                found.normality.a_squared,
                note=note,
                of=found.of,
                counted="values",
                details={"p": found.normality.p},
            )
        )
    return Section("Ground", tuple(figures))


def _percentiles(found: PercentileCapability | Refused, unit: str) -> Section:
    title = "Without a normal distribution (percentiles)"
    if isinstance(found, Refused):
        return Section(title, (refused("Ppk by percentiles", found, "values"),))
    names = ("0.135 %", "50 %", "99.865 %")
    figures = [
        Figure(f"percentile {name}", value, unit, (span(own),) if own else (), of=found.of, counted="values",
               note=None if own else "so many values do not bound it")
        for name, value, own in zip(names, found.percentiles, found.intervals, strict=True)
    ]  # fmt: skip
    figures += [plain("Pp by percentiles", found.pp)] if found.pp is not None else []
    return Section(title, (*figures, plain("Ppk by percentiles", found.ppk)))


def _histogram(
    series: Series, column: Any, lower: float | None, upper: float | None, target: float | None
) -> Plot:
    counts, edges = np.histogram(column[~np.isnan(column)], bins=BINS)
    labels = tuple(
        f"{low:.4g} to {high:.4g}" for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    )
    return Plot(
        "histogram", f"{series.name}: values and limits", labels, series.unit, tuple(float(c) for c in counts.tolist()),
        limits=(lower, upper, target), where=(tuple(edges.tolist()),),
    )  # fmt: skip

"""Gauge studies: from a table that a person hands in, or from verifications of inspection machines in the record."""

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any, Final

from broker_bridge.analysis.gauge import GaugeStudy, analysis_of_variance, average_and_range
from broker_bridge.analysis.intervals import Refused, proportion
from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Progress, Spot, holding_facts
from broker_bridge.queries.figures import plain, refused, share
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.quality import Answer, Figure, Section

METHODS: Final = {"anova": analysis_of_variance, "range": average_and_range}

Trials = dict[str, dict[str, list[float]]]
"""Appraiser to part to values, in order of the trials."""


def trials_of_table(text: str, file: str) -> Trials:
    """A table with the columns appraiser, part and value (and trial, whose order is taken). Raises UsageError."""
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    found: dict[str, dict[str, list[tuple[str, float]]]] = {}
    for row in rows:
        told = {
            (name or "").strip().casefold(): (value or "").strip()
            for name, value in row.items()
            if isinstance(value, str)
        }
        try:
            value = float(told["value"])
        except KeyError:
            raise UsageError(
                f"{file}: expected a heading with appraiser, part, trial, value; it has {list(row)}"
            ) from None
        except ValueError:
            raise UsageError(f"{file}, line {rows.line_num}: value is {told['value']!r}, no number") from None
        if not told.get("appraiser") or not told.get("part"):
            raise UsageError(f"{file}, line {rows.line_num}: appraiser and part have to be given")
        found.setdefault(told["appraiser"], {}).setdefault(told["part"], []).append(
            (told.get("trial", ""), value)
        )
    if not found:
        raise UsageError(f"{file}: no measurement in it")
    return {
        who: {
            part: [v for _, v in sorted(mine, key=lambda one: _order(one[0]))] for part, mine in parts.items()
        }
        for who, parts in found.items()
    }


def _order(trial: str) -> tuple[int, str]:
    """Numbers as they count, however many digits they have; before them, by the alphabet, what is none."""
    if not (trial.isascii() and trial.isdigit()):
        return 0, trial
    digits = trial.lstrip("0") or "0"
    return len(digits), digits


class Verified:
    """What verifications of inspection machines say: values by machine and spot, and what was found of what had to be."""

    def __init__(self) -> None:
        self.values: dict[str, Trials] = {}
        """By name of the value."""
        self.found: dict[str, list[tuple[bool, bool]]] = {}
        """By machine, a row a spot and time: had it to be found, was it found."""
        self.outcomes: dict[str, list[str]] = {}


def read_verifications(
    record: Record, as_of: AsOf, choice: Choice, progress: Progress = lambda done, of: None
) -> Verified:
    """The verifications of a record; the appraiser is the machine, by its inventory number or else its station."""
    verified = Verified()
    for fact in holding_facts(record, ("inspection.verified",), as_of, progress, "verifications"):
        if not choice.of(fact):
            continue
        machine = fact.data.get("equipment") or fact.data.get("station") or "not stated"
        expected = {Spot.of(call["place"]) for call in fact.data.get("expected", ())}
        calls = fact.data.get("found", ())
        found = {Spot.of(call["place"]) for call in calls}
        verified.outcomes.setdefault(machine, []).append(fact.data["outcome"])
        if expected:
            verified.found.setdefault(machine, []).extend(
                (spot in expected, spot in found) for spot in sorted(expected | found, key=str)
            )
        for call in calls:
            for value in call.get("values", ()):
                if value.get("value") is not None:
                    spot = " ".join(text for text in Spot.of(call["place"]) if text)
                    of = verified.values.setdefault(value["name"], {}).setdefault(machine, {})
                    of.setdefault(spot, []).append(float(value["value"]))
    return verified


def quality_gauge(
    trials: Mapping[str, Trials],
    as_of: AsOf,
    asked: str,
    *,
    method: str = "anova",
    tolerance: float | None = None,
    verified: Verified | None = None,
) -> Answer:
    """The study of each named value; and how well the machines found what they had to find."""
    if method not in METHODS:
        raise UsageError(f"--method {method}: there are {', '.join(METHODS)}")
    sections: list[Section] = []
    said: list[str] = []
    remarks: list[str] = []
    bad = False
    for name, values in trials.items():
        table, left = _balanced(values)
        if left:
            remarks.append(f"{name}: {left}")
        found = (
            METHODS[method](table, tolerance=tolerance)
            if table
            else Refused("no part was measured twice by all appraisers", 0, 2)
        )
        title = f"Gauge study of {name}"
        if isinstance(found, Refused):
            sections.append(Section(title, (refused("gauge R&R", found, "measurements"),)))
            continue
        sections += _study(title, found, list(values))
        gauge = found.sources["gauge"]
        bad = bad or gauge.percent_study > 10
        said.append(
            f"{name}: the gauge takes {gauge.percent_study:.1f} % of the study variation ({found.judgement}, by AIAG's bands), it tells"
            f" {found.distinct_categories} categories apart (5 are asked for); by {found.method}, {found.parts} parts, {found.appraisers}"
            f" appraisers, {found.trials} trials."
        )
    if verified is not None:
        section = _finding(verified)
        if section.figures:
            sections.append(section)
            bad = bad or any("failed" in outcomes for outcomes in verified.outcomes.values())
    if not said:
        said = [
            "No study can be told: "
            + ("see the reasons." if sections else "no repeated measurement of it is in the record.")
        ]
    return Answer("gauge", " ".join(said), asked, tuple(sections), (), tuple(remarks), bad, as_of)


def _balanced(values: Trials) -> tuple[list[list[list[float]]], str | None]:
    """Appraisers x parts x trials, of the parts that all measured, as often as the least of them."""
    common = [part for part in next(iter(values.values()), {}) if all(part in own for own in values.values())]
    common = [part for part in common if all(len(own[part]) >= 2 for own in values.values())]
    least = min((len(own[part]) for own in values.values() for part in common), default=0)
    whole = sum(len(v) for own in values.values() for v in own.values())
    used = len(values) * len(common) * least
    left = (
        f"{whole - used} of {whole} measurements are left out: the study has to be balanced"
        if used < whole
        else None
    )
    return [[own[part][:least] for part in common] for own in values.values()] if common else [], left


def _study(title: str, found: GaugeStudy, appraisers: Sequence[str]) -> list[Section]:
    figures: list[Figure] = []
    for name, source in found.sources.items():
        own = {"gauge": found.gauge, "repeatability": found.repeatability}.get(name)
        figures.append(
            plain(
                name, source.sd, "sd", spans=[own] if own else [], details={
                    "variance": source.variance, "% of study": source.percent_study, "% contribution": source.percent_contribution,
                },
            )
        )  # fmt: skip
    figures.append(
        plain("distinct categories", found.distinct_categories, note="5 or more are asked for (AIAG)")
    )
    if found.percent_tolerance is not None:
        figures.append(plain("gauge, of the tolerance", found.percent_tolerance, "%"))
    for who, part in found.out_of_control:
        figures.append(
            plain(
                "range beyond its limit",
                None,
                note=f"{appraisers[who]}, part {part + 1}: measure again before using the study",
            )
        )
    note = f"{found.method}{', interaction pooled' if found.pooled else ''}; the two methods can tell other categories on the same data"
    sections = [Section(title, tuple(figures), note)]
    if found.anova:
        rows = tuple(
            plain(
                row.source, row.sum_of_squares, "sum of squares", details={
                    "degrees of freedom": row.freedom, "mean square": row.mean_square, "F": row.f, "p": row.p,
                    "F over interaction": row.f_interaction, "p over interaction": row.p_interaction,
                },
            )
            for row in found.anova
        )  # fmt: skip
        sections.append(Section(f"{title}: analysis of variance", rows))
    return sections


def _finding(verified: Verified) -> Section:
    """How well machines find what a reference board has."""
    figures: list[Figure] = []
    for machine, rows in sorted(verified.found.items()):
        there = [found for had, found in rows if had]
        told = proportion(sum(there), len(there))
        passed = sum(outcome == "passed" for outcome in verified.outcomes[machine])
        details: dict[str, Any] = {
            "verifications": len(verified.outcomes[machine]),
            "passed": passed,
            "found and not expected": sum(found and not had for had, found in rows),
        }
        figures.append(
            share(
                f"{machine}: found of what had to be found",
                told,
                "defects of reference boards x times",
                str,
                **details,
            )
        )
    return Section("Verifications with reference boards", tuple(figures))

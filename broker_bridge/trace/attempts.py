"""Electrical tests, attempt by attempt. First pass means attempt 1 and nothing else."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.inspections import (
    Call,
    Coverage,
    Record,
    calls_of,
    coverage_of,
    evidence_of,
    gathered,
    merged_belief,
    program_of,
    scope_of,
    times,
)  # fmt: skip
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Program, one_of, worst_outcome


class Step(Value):
    """One measured step of a test."""

    name: str
    value: float | None
    text: str | None
    unit: str | None
    lower: float | None
    upper: float | None
    outcome: str | None


class Test(Value):
    """One attempt of an electrical test."""

    station: str | None
    scope: str
    method: str
    program: Program | None
    fixture: str | None
    nest: str | None
    attempt: int | None
    """As stated; None: not stated."""
    started: datetime | None
    ended: datetime | None
    outcome: str
    cause: str | None
    coverage: Coverage | None
    failed_steps: tuple[Step, ...]
    calls: tuple[Call, ...]
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]
    corrected: datetime | None = None
    """When it began, or else ended, with the error of its machine's clock taken off (see Inspection)."""
    clock: str | None = None

    @property
    def begun(self) -> datetime | None:
        """When it was done, for putting in order."""
        return self.started or self.ended


class Retest(Value):
    """A pass after a failed attempt with no rework in between."""

    text: str
    evidence: tuple[Evidence, ...]


def tests(records: Iterable[Record]) -> list[Test]:
    """All attempts in order of time; the same one recorded twice is one."""
    return [_test(group) for group in gathered(records)]


def retests(found: Sequence[Test], reworked: Sequence[datetime]) -> list[Retest]:
    """Passes on retest without rework: what failed before has not been mended by anybody the record knows."""
    result: list[Retest] = []
    failed: dict[tuple[str, str | None], Test] = {}
    for test in found:
        key = (test.method, test.program.name if test.program else None)
        before = failed.get(key)
        if test.outcome == "failed":
            failed[key] = test
        elif test.outcome == "passed" and before is not None:
            del failed[key]
            if not any(_between(before, moment, test) for moment in reworked):
                text = (
                    f"{test.method} test at {test.station} passed"
                    f"{f' at attempt {test.attempt}' if test.attempt else ''} after a failed attempt,"
                    " with no rework between"
                )
                result.append(Retest(text, tuple(sorted({*before.evidence, *test.evidence}))))
    return result


def _between(before: Test, moment: datetime, after: Test) -> bool:
    start, end = before.begun, after.ended or after.started
    return start is not None and end is not None and start <= moment <= end


def _test(group: Sequence[Record]) -> Test:
    outcomes = [record.statement.get("outcome") for record in group]
    belief = merged_belief(group, outcomes)
    starts = [start for start, _ in (times(record.statement) for record in group) if start]
    ends = [end for _, end in (times(record.statement) for record in group) if end]
    return Test(
        station=one_of(record.statement.get("station") for record in group),
        scope=scope_of(group[0]),
        method=one_of(record.statement.get("method") for record in group) or "other",
        program=program_of(group),
        fixture=one_of(record.statement.get("fixture") for record in group),
        nest=one_of(record.statement.get("nest") for record in group),
        attempt=one_of(record.statement.get("attempt") for record in group),
        started=min(starts) if starts else None,
        ended=max(ends) if ends else (None if starts else group[0].statement.time),
        outcome=worst_outcome(outcomes) or "unknown",
        cause=one_of(record.statement.get("reason") for record in group),
        coverage=coverage_of(group),
        failed_steps=_failed_steps(group),
        calls=calls_of(group),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=evidence_of(group),
    )


def _failed_steps(group: Sequence[Record]) -> tuple[Step, ...]:
    stated = {
        Step(
            step["name"], step.get("value"), step.get("text"), step.get("unit"), step.get("lower"),
            step.get("upper"), step["outcome"],
        )
        for record in group
        for step in record.statement.get("steps") or ()
        if step.get("outcome") == "failed"
    }  # fmt: skip
    return tuple(sorted(stated, key=repr))

"""Situation 21: test attempts, fixtures, and a pass on retest without rework."""

from told import Told, board

A = board("A")


def _test(told: Told, clock: str, outcome: str, attempt: int | None, **more: object) -> None:
    told.say(
        "inspection.test_completed", clock, A, station="ict", method="in_circuit", outcome=outcome, attempt=attempt,
        started=clock, program={"name": "T"}, fixture="FX-2", **more,  # type: ignore[arg-type]
    )  # fmt: skip


def test_21_attempts_are_told_one_by_one_with_their_fixture() -> None:
    told = Told()
    steps = [
        {"name": "R1", "value": 9.1, "unit": "Ohm", "lower": 9.5, "upper": 10.5, "outcome": "failed"},
        {"name": "R2", "value": 10.0, "outcome": "passed"},
    ]
    _test(told, "10:00:00", "failed", 1, steps=steps)
    _test(told, "10:02:00", "failed", 2)
    first, second = told.history("A").tests
    assert (first.attempt, first.fixture, first.outcome) == (1, "FX-2", "failed")
    assert [(step.name, step.value, step.lower) for step in first.failed_steps] == [("R1", 9.1, 9.5)]
    assert second.attempt == 2


def test_21_a_pass_on_retest_without_rework_is_a_finding() -> None:
    told = Told()
    _test(told, "10:00:00", "failed", 1)
    _test(told, "10:02:00", "passed", 2)
    (finding,) = told.history("A").findings
    assert finding.kind == "retest_without_rework"
    assert "attempt 2" in finding.text
    assert len(finding.evidence) == 2


def test_21_a_pass_after_rework_is_none() -> None:
    told = Told()
    _test(told, "10:00:00", "failed", 1)
    told.say(
        "inspection.rework_performed", "10:30:00", A, station="bench", kind="rework", outcome="completed"
    )
    _test(told, "11:00:00", "passed", 1)
    assert told.history("A").findings == ()


def test_the_same_attempt_stated_twice_is_one() -> None:
    told = Told()
    _test(told, "10:00:00", "failed", 1)
    _test(told, "10:00:00", "failed", 1, source="messages")
    assert len(told.history("A").tests) == 1

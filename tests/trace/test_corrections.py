"""What persons state: it is told beside what machines said, and beats nothing silently."""

from typing import Any

from told import Told, at, board

A = board("A")
WHO = {"who": "op-7", "why": "saw it", "source": "desk"}


def reference(fact: Any) -> dict[str, str]:
    return {"source": fact.source, "id": fact.id}


def test_a_visit_somebody_saw_is_inferred_from_his_word() -> None:
    told = Told()
    told.passes("print", "10:00:00", "10:01:00", A)
    told.say("board.asserted", "15:00:00", A, claim="visited", station="spi", happened="10:05:00", **WHO)
    seen = told.history("A").route[-1]
    assert (seen.station, seen.arrived, seen.certainty, seen.probability) == (
        "spi",
        at("10:05:00"),
        "inferred",
        0.95,
    )
    assert "op-7 says visited: saw it" in (seen.reason or "")


def test_without_a_time_it_is_a_note_and_no_visit() -> None:
    told = Told()
    told.passes("print", "10:00:00", "10:01:00", A)
    told.say("board.asserted", "15:00:00", A, claim="visited", station="spi", **WHO)
    history = told.history("A")
    assert [visit.station for visit in history.route] == ["print"]
    assert [(one.what, one.who) for one in history.decisions] == [("visited", "op-7")]


def test_a_machine_that_saw_it_too_keeps_it_observed() -> None:
    told = Told()
    told.passes("spi", "10:04:30", "10:05:30", A)
    told.say("board.asserted", "15:00:00", A, claim="visited", station="spi", happened="10:05:00", **WHO)
    assert [visit.certainty for visit in told.history("A").route] == ["observed"]


def test_a_denied_visit_stays_and_is_in_conflict_with_all_that_it_saw() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A)
    told.inspects("aoi", "12:00:00", "12:00:10", A, program={"name": "other"})
    told.passes("print", "11:00:00", "11:01:00", A)
    told.say("board.asserted", "15:00:00", A, claim="not_visited", station="aoi", happened="10:00:05", **WHO)
    history = told.history("A")
    assert [visit.certainty for visit in history.route] == ["conflicting", "observed", "observed"]
    assert [one.certainty for one in history.inspections] == ["conflicting", "observed"]


def test_a_disputed_outcome_is_told_as_recorded_with_who_says_otherwise() -> None:
    told = Told()
    fact = told.inspects("aoi", "10:00:00", "10:00:10", A)
    told.say(
        "board.asserted", "15:00:00", A, claim="outcome", corrects=reference(fact), outcome="failed", **WHO
    )
    history = told.history("A")
    (inspection,) = history.inspections
    assert (inspection.outcome, inspection.certainty) == ("passed", "conflicting")
    assert [finding.kind for finding in history.findings] == ["outcome_disputed"]


def test_one_who_agrees_is_more_evidence_and_no_finding() -> None:
    told = Told()
    fact = told.inspects("aoi", "10:00:00", "10:00:10", A)
    told.say(
        "board.asserted", "15:00:00", A, claim="outcome", corrects=reference(fact), outcome="passed", **WHO
    )
    history = told.history("A")
    assert (history.inspections[0].certainty, len(history.inspections[0].evidence)) == ("observed", 2)
    assert history.findings == ()


def test_a_test_can_be_disputed_too_and_a_revoked_dispute_is_gone() -> None:
    told = Told()
    fact = told.say(
        "inspection.test_completed",
        "10:00:00",
        A,
        station="ict",
        method="in_circuit",
        outcome="failed",
        means="end",
    )
    claim = told.say(
        "board.asserted", "15:00:00", A, claim="outcome", corrects=reference(fact), outcome="passed", **WHO
    )
    assert told.history("A").tests[0].certainty == "conflicting"
    told.say("board.asserted", "16:00:00", A, claim="revoked", revokes=reference(claim), **WHO)
    assert told.history("A").tests[0].certainty == "observed"


def test_holds_are_lifted_by_their_own_number_only() -> None:
    told = Told()
    told.say("board.held", "10:00:00", A, reason="short", hold="H-1")
    told.say("board.asserted", "11:00:00", A, claim="held", hold="H-2", **WHO)
    told.say("board.asserted", "12:00:00", A, claim="held", **WHO)
    assert [hold.hold for hold in told.history("A").held] == ["H-1", "H-2", None]
    told.say("board.released", "13:00:00", A, reason="repaired", hold="H-1")
    told.say("board.asserted", "13:00:00", A, claim="released", **WHO)
    assert [hold.hold for hold in told.history("A").held] == ["H-2"]

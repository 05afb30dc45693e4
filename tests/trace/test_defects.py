"""A defect across machines: call, review, rework, the next look; what escaped, what it left with."""

import pytest
from told import Told, at, board, call, verdict

from broker_bridge.trace.defects import Defect
from broker_bridge.trace.inspections import Place

A = board("A")


def reviewed(told: Told, clock: str, station: str, inspected: str, *verdicts: dict[str, object]) -> None:
    told.say(
        "inspection.reviewed", clock, board("A", how="passed_on"), station="desk", inspected_at=station,
        inspected=inspected, verdicts=list(verdicts),
    )  # fmt: skip


def mended(told: Told, clock: str, designator: str = "R1", **more: object) -> None:
    told.say(
        "inspection.rework_performed", clock, A, station="bench", kind="rework", outcome=more.pop("outcome", "completed"),
        actions=[{"place": {"designator": designator}, "action": "resoldered", **more}],
    )  # fmt: skip


def only(told: Told) -> Defect:
    (defect,) = told.history("A").defects
    return defect


def test_the_whole_chain_in_order() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
    reviewed(told, "10:30:00", "aoi", "10:00:00", verdict("R1", "confirmed", defect="short"))
    mended(told, "11:00:00")
    told.inspects("aoi", "12:00:00", "12:00:10", A)
    defect = only(told)
    assert [(step.act, step.station) for step in defect.steps] == [
        ("called", "aoi"), ("confirmed", "desk"), ("reworked", "bench"), ("passed", "aoi"),
    ]  # fmt: skip
    assert (defect.state, defect.looked_again) == ("passed_again", at("12:00:00"))


def test_called_again_after_rework_is_open_again() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
    mended(told, "11:00:00")
    told.inspects("aoi", "12:00:00", "12:00:10", A, outcome="failed", calls=[call("R1", "lifted")])
    defect = only(told)
    assert (defect.state, defect.confirmed, defect.looked_again) == ("open", at("11:00:00"), at("12:00:00"))


def test_called_anew_after_it_had_passed_again_is_another_defect() -> None:
    told = Told()
    for called, work, passed in (("10:00:00", "11:00:00", "12:00:00"), ("13:00:00", "14:00:00", "15:00:00")):
        told.inspects("aoi", called, called, A, outcome="failed", calls=[call("R1")])
        mended(told, work)
        told.inspects("aoi", passed, passed, A)
    assert [(one.called, one.state) for one in told.history("A").defects] == [
        (at("10:00:00"), "passed_again"), (at("13:00:00"), "passed_again"),
    ]  # fmt: skip


def test_an_inspection_that_had_looked_and_called_nothing_is_an_escape() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A)
    told.inspects("partial", "10:10:00", "10:10:10", A, coverage={"left_out": ["R1"]})
    told.inspects("bypass", "10:20:00", "10:20:10", A, outcome="bypassed")
    told.inspects("spi", "09:00:00", "09:00:10", A, method="paste")
    told.inspects("xray", "11:00:00", "11:00:10", A, method="x_ray", outcome="failed", calls=[call("R1")])
    assert told.history("A").defects == ()
    reviewed(told, "12:00:00", "xray", "11:00:00", verdict("R1", "confirmed"))
    assert [(escape.station, escape.how) for escape in only(told).escaped] == [("aoi", "not_called")]


def test_a_call_judged_false_that_was_none_is_an_escape_of_the_review() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
    reviewed(told, "10:30:00", "aoi", "10:00:00", verdict("R1", "false_call"))
    told.inspects("xray", "11:00:00", "11:00:10", A, method="x_ray", outcome="failed", calls=[call("R1")])
    reviewed(told, "12:00:00", "xray", "11:00:00", verdict("R1", "confirmed"))
    assert [(escape.station, escape.how) for escape in only(told).escaped] == [("aoi", "judged_false")]


def test_what_a_test_finds_and_somebody_mends_is_a_defect_that_the_inspection_let_pass() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A)
    told.say(
        "inspection.test_completed", "11:00:00", A, station="ict", method="in_circuit", outcome="failed", means="end",
        calls=[call("R1", "open")],
    )  # fmt: skip
    mended(told, "12:00:00")
    defect = only(told)
    assert (defect.station, defect.state, [escape.station for escape in defect.escaped]) == (
        "ict",
        "reworked",
        ["aoi"],
    )


@pytest.mark.parametrize(
    ("word", "state"),
    [("not_repairable", "not_repairable"), ("false_scrap", "false_scrap"), ("repaired", "reworked")],
)
def test_what_the_rework_says_counts(word: str, state: str) -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
    reviewed(told, "10:30:00", "aoi", "10:00:00", verdict("R1", "confirmed"))
    mended(told, "11:00:00", verdict=word)
    assert only(told).state == state


def test_failed_rework_and_work_elsewhere_leave_it_open() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
    reviewed(told, "10:30:00", "aoi", "10:00:00", verdict("R1", "confirmed"))
    mended(told, "11:00:00", outcome="failed")
    mended(told, "11:10:00", "R2")
    assert only(told).state == "open"


def test_paste_topped_up_and_measured_again() -> None:
    told = Told()
    told.inspects(
        "spi", "10:00:00", "10:00:10", A, method="paste", outcome="failed", calls=[call("R1", "low")]
    )
    told.say(
        "inspection.paste_topped_up",
        "10:05:00",
        A,
        station="jet",
        places=[{"designator": "R1"}],
        outcome="completed",
    )
    assert (only(told).paste, only(told).state) == (True, "reworked")
    told.inspects("aoi", "10:20:00", "10:20:10", A)
    assert only(told).state == "reworked", "an optical look is no look at the paste"
    told.inspects("spi", "10:10:00", "10:10:10", A, method="paste")
    assert only(told).state == "passed_again"


def test_a_board_that_left_before_the_review_left_with_it() -> None:
    told = Told()
    told.inspects(
        "aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1"), call("R2"), call("R3")]
    )
    reviewed(told, "10:10:00", "aoi", "10:00:00", verdict("R3", "confirmed"))
    mended(told, "10:20:00", "R3")
    told.say("board.shipped", "11:00:00", A, destination="customer")
    reviewed(told, "12:00:00", "aoi", "10:00:00", verdict("R1", "confirmed"))
    history = told.history("A")
    assert [(d.place, [left.what for left in d.left]) for d in history.defects] == [
        (Place("R1"), ["shipped"]), (Place("R3"), []),
    ]  # fmt: skip
    assert [(call.place, [left.what for left in call.left]) for call in history.undecided] == [
        (Place("R2"), ["shipped"])
    ]


def test_process_indicators_and_false_calls_are_neither() -> None:
    told = Told()
    told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1"), call("R2")])
    reviewed(
        told, "10:30:00", "aoi", "10:00:00", verdict("R1", "process_indicator"), verdict("R2", "false_call")
    )
    history = told.history("A")
    assert history.defects == history.undecided == ()
    assert history.standing.called == 2

"""Many records, one inspection; coverage and outcome as stated; reviews and defects."""

import pytest
from told import Told, at, board, call, panel, verdict

from broker_bridge.trace.belief import UNPROVEN, Evidence
from broker_bridge.trace.inspections import Inspection, Place

A = board("A")


def inspections(told: Told) -> tuple[Inspection, ...]:
    return told.history("A").inspections


class TestOneInspection:
    def test_4_the_same_record_saved_again_under_another_id_is_one_inspection(self) -> None:
        told = Told()
        told.inspects(
            "aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed", generation="first"
        )
        told.inspects(
            "aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed", generation="copy"
        )
        (inspection,) = inspections(told)
        assert [(c.place.designator, c.label) for c in inspection.calls] == [("R1", "bridge")]
        assert inspection.evidence == tuple(sorted(Evidence(fact.source, fact.id) for fact in told.facts))
        assert len(told.history("A").route) == 1

    def test_4_log_and_message_of_one_inspection_differ_in_fractions_of_a_second(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:05", "10:00:25", A, source="log")
        told.say(
            "inspection.completed", at("10:00:25.870"), A, station="aoi", source="messages", method="optical",
            outcome="passed", started=at("10:00:05.320").isoformat(), side="top",
        )  # fmt: skip
        (inspection,) = inspections(told)
        assert inspection.side == "top"

    def test_two_equal_rows_of_one_record_are_two_calls(self) -> None:
        told = Told()
        rows = [call("R1"), call("R1"), call("R1", "missing")]
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=rows, generation="first")
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=rows[:1], generation="copy")
        assert [c.label for c in inspections(told)[0].calls] == ["bridge", "bridge", "missing"]

    @pytest.mark.parametrize(
        "other",
        [
            {"station": "aoi-2"}, {"started": "10:00:03"}, {"side": "top"}, {"program": {"name": "Q"}},
            {"method": "x_ray"},
        ],
    )  # fmt: skip
    def test_station_start_side_and_program_tell_inspections_apart(self, other: dict[str, object]) -> None:
        told = Told()
        same: dict[str, object] = {
            "station": "aoi", "started": "10:00:00", "side": "bottom", "program": {"name": "P"}, "method": "optical",
        }  # fmt: skip
        for stated in (same, same | other):
            told.say("inspection.completed", "10:00:20", A, outcome="passed", **stated)  # type: ignore[arg-type]
        assert len(inspections(told)) == 2

    def test_records_that_contradict_each_other_never_give_a_pass(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, outcome="passed", generation="first")
        told.inspects("aoi", "10:00:00", "10:00:20", A, outcome="failed", generation="copy")
        (inspection,) = inspections(told)
        assert (inspection.outcome, inspection.certainty) == ("failed", "conflicting")
        assert [finding.kind for finding in told.history("A").findings] == ["outcomes_differ"]

    def test_paste_of_the_same_raw_record_belongs_to_its_inspection(self) -> None:
        told = Told()
        told.inspects(
            "spi",
            "10:00:00",
            "10:00:20",
            A,
            method="paste",
            position=3,
            ordinal=0,
            events=2,
            generation="file",
        )
        paste = told.say(
            "reading.paste_measured", "10:00:20", A, station="spi", pads=2, columns=[], block="0" * 64,
            out_of_limits=1, position=3, ordinal=1, events=2, generation="file",
        )  # fmt: skip
        (inspection,) = inspections(told)
        assert inspection.paste == ((2, 1, "0" * 64, (Evidence(paste.source, paste.id),)),)

    def test_paste_alone_is_an_inspection_without_an_outcome(self) -> None:
        told = Told()
        told.say(
            "reading.paste_measured",
            "10:00:20",
            A,
            station="spi",
            pads=2,
            columns=[],
            block="0" * 64,
            means="end",
        )
        (inspection,) = inspections(told)
        assert (inspection.method, inspection.outcome) == ("paste", "unknown")


class TestWhatWasInspected:
    @pytest.mark.parametrize("outcome", ["bypassed", "not_inspected", "aborted", "skipped", "unknown"])
    def test_3_only_passed_is_a_pass(self, outcome: str) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, outcome=outcome, reason="cover open")
        (inspection,) = inspections(told)
        assert (inspection.outcome, inspection.cause) == (outcome, "cover open")
        assert told.history("A").route[0].outcome == outcome

    def test_3_designators_left_out_are_told(self) -> None:
        told = Told()
        told.inspects(
            "aoi", "10:00:00", "10:00:20", A,
            coverage={"inspected": 118, "total": 120, "of": "components", "left_out": ["U7", "R2"], "sampling": "1 in 5"},
        )  # fmt: skip
        assert inspections(told)[0].coverage == (118, 120, "components", ("R2", "U7"), "1 in 5")

    def test_an_inspection_of_the_whole_panel_says_so(self) -> None:
        told = Told()
        told.say("board.identified", "09:00:00", board("A", panel="P", position=1), station="load")
        told.inspects("aoi", "10:00:00", "10:00:20", panel("P"), outcome="failed", calls=[call("R1")])
        told.inspects("spi", "11:00:00", "11:00:20", board("A"), board("B"), outcome="failed")
        assert [inspection.scope for inspection in inspections(told)] == ["panel", "several"]

    def test_an_inspection_of_a_sister_board_is_not_there(self) -> None:
        told = Told()
        told.say("board.identified", "09:00:00", board("A", panel="P", position=1), station="load")
        told.inspects("aoi", "10:00:00", "10:00:20", board(panel="P", position=2), outcome="failed")
        assert inspections(told) == ()


class TestReviews:
    def test_verdicts_hours_later_answer_the_calls_of_the_inspection_they_name(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1"), call("R2")], outcome="failed")
        told.say("inspection.rework_performed", "10:30:00", A, station="bench", kind="rework")
        told.inspects("aoi", "11:00:00", "11:00:20", A, calls=[call("R1")], outcome="failed")
        told.say(
            "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
            inspected="10:00:00", outcome="failed",
            verdicts=[verdict("R1", "confirmed", defect="short"), verdict("R2", "false_call")],
        )  # fmt: skip
        first, second = inspections(told)
        assert [c.verdict for c in first.calls] == ["confirmed", "false_call"]
        assert (first.reviewed, first.outcome, first.outcome_after_review) == ("closed", "failed", "failed")
        assert first.calls[0].verdicts[0].certainty == "observed"
        assert [c.verdict for c in second.calls] == [None]
        assert told.history("A").completeness.open_reviews == 1

    def test_review_that_does_not_say_which_inspection_is_joined_by_inference(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed")
        told.say(
            "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
            outcome="passed", verdicts=[verdict("R1", "false_call")],
        )  # fmt: skip
        (given,) = inspections(told)[0].calls[0].verdicts
        assert (given.verdict, given.certainty, given.probability) == ("false_call", "inferred", UNPROVEN)

    def test_review_and_verdict_that_answer_nothing_are_findings(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed")
        for inspected, place in (("09:00:00", "R1"), ("10:00:00", "R9")):
            told.say(
                "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
                inspected=inspected, verdicts=[verdict(place, "confirmed")],
            )  # fmt: skip
        history = told.history("A")
        assert [finding.kind for finding in history.findings] == ["review_without_inspection"] * 2
        assert history.defects == ()

    def test_the_latest_verdict_counts_and_all_are_kept(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed")
        for clock, word in (("15:00:00", "confirmed"), ("16:00:00", "false_call")):
            told.say(
                "inspection.reviewed", clock, board("A", how="passed_on"), station="desk", inspected_at="aoi",
                inspected="10:00:00", verdicts=[verdict("R1", word)],
            )  # fmt: skip
        (answered,) = inspections(told)[0].calls
        assert answered.verdict == "false_call"
        assert [given.verdict for given in answered.verdicts] == ["confirmed", "false_call"]

    def test_one_review_saved_twice_is_one(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1")], outcome="failed")
        for generation in ("first", "copy"):
            told.say(
                "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
                inspected="10:00:00", verdicts=[verdict("R1", "confirmed")], generation=generation,
            )  # fmt: skip
        (given,) = inspections(told)[0].calls[0].verdicts
        assert len(given.evidence) == 2

    def test_a_verdict_with_a_termination_answers_only_that_termination(self) -> None:
        told = Told()
        told.inspects(
            "aoi", "10:00:00", "10:00:20", A, outcome="failed",
            calls=[call("U1", termination="3"), call("U1", termination="4")],
        )  # fmt: skip
        told.say(
            "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
            inspected="10:00:00",
            verdicts=[{"place": {"designator": "U1", "termination": "4"}, "verdict": "confirmed"}],
        )  # fmt: skip
        assert [(c.place.termination, c.verdict) for c in inspections(told)[0].calls] == [
            ("3", None), ("4", "confirmed"),
        ]  # fmt: skip


class TestDefects:
    def test_call_review_rework(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A, calls=[call("R1"), call("R2")], outcome="failed")
        told.say(
            "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
            inspected="10:00:00", verdicts=[verdict("R1", "confirmed", defect="short"), verdict("R2", "confirmed")],
        )  # fmt: skip
        told.say(
            "inspection.rework_performed", "16:00:00", A, station="bench", kind="rework", outcome="completed",
            actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
        )  # fmt: skip
        mended, left = told.history("A").defects
        assert (mended.place, mended.defect, mended.state) == (Place("R1"), "short", "reworked")
        assert mended.reworked == at("16:00:00")
        assert (left.place, left.defect, left.state) == (Place("R2"), "bridge", "open")
        assert told.history("A").completeness.open_defects == 1

"""Many witnesses, one visit; a board that comes again; a board that cannot have come again."""

import pytest
from told import Told, at, board, panel

from broker_bridge.trace.belief import CUT, REPEATED, Evidence
from broker_bridge.trace.visits import Visit

A = board("A")


def route(told: Told, value: str = "A") -> tuple[Visit, ...]:
    return told.history(value).route


def kinds(told: Told) -> list[str]:
    return [finding.kind for finding in told.history("A").findings]


class TestLineWithoutAnEnd:
    """A writer that died in mid-line leaves half a board number, and nothing ever tells."""

    def test_what_it_says_is_inferred_and_says_why(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:05", "10:00:25", A, flags=["unterminated"], outcome="failed")
        history = told.history("A")
        (visit,) = history.route
        assert (visit.certainty, visit.probability) == ("inferred", CUT)
        assert "may be cut" in (visit.reason or "")
        (inspection,) = history.inspections
        assert inspection.certainty == "inferred"

    def test_who_else_saw_it_carries_the_visit(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:05", "10:00:25", A, source="log", flags=["unterminated"])
        told.passes("aoi", "10:00:00", "10:00:30", A, source="transfer")
        (visit,) = route(told)
        assert visit.certainty == "observed"


class TestOnePass:
    def test_4_transfer_log_and_message_about_one_pass_are_one_visit(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", A, station="aoi", source="transfer", how="transferred", lane=1)
        told.inspects("aoi", "10:00:05", "10:00:25", A, source="log", side="top", equipment="SN-5")
        told.say(
            "work.completed", "10:00:26", A, station="aoi", source="messages", outcome="completed",
            program={"name": "P1", "revision": "C"},
        )  # fmt: skip
        told.say(
            "board.departed",
            "10:00:30",
            A,
            station="aoi",
            source="transfer",
            how="transferred",
            outcome="good",
        )
        (visit,) = route(told)
        assert (visit.station, visit.lane, visit.side, visit.equipment, visit.pass_) == (
            "aoi",
            1,
            "top",
            "SN-5",
            1,
        )
        assert (visit.arrived, visit.arrived_certainty) == (at("10:00:00"), "observed")
        assert (visit.departed, visit.departed_certainty) == (at("10:00:30"), "observed")
        assert (visit.outcome, visit.handed_on, visit.certainty) == ("passed", "good", "observed")
        assert visit.program == ("P1", "C", None)
        assert visit.evidence == tuple(sorted(Evidence(fact.source, fact.id) for fact in told.facts))

    def test_hand_over_seen_at_both_ends_is_a_departure_and_an_arrival(self) -> None:
        told = Told()
        told.say(
            "board.transferred", "10:00:10", A, station="print", to_station="spi", started="10:00:05",
            giver="complete", taker="complete", outcome="good",
        )  # fmt: skip
        left, came = route(told)
        assert (left.station, left.departed, left.departed_certainty) == ("print", at("10:00:10"), "observed")
        assert (came.station, came.arrived, came.arrived_certainty) == ("spi", at("10:00:10"), "observed")

    @pytest.mark.parametrize(
        ("giver", "taker", "certainties"),
        [
            ("complete", None, ["inferred", "inferred"]),
            (None, None, ["inferred", "inferred"]),
            ("incomplete", "complete", ["conflicting", "conflicting"]),
            ("not_started", "not_started", []),
        ],
    )
    def test_hand_over_is_certain_only_when_both_ends_say_complete(
        self, giver: str | None, taker: str | None, certainties: list[str]
    ) -> None:
        told = Told()
        told.say("board.transferred", "10:00:10", A, station="a", to_station="b", giver=giver, taker=taker)
        assert [visit.certainty for visit in route(told)] == certainties

    def test_log_alone_leaves_both_ends_inferred(self) -> None:
        told = Told()
        told.inspects("spi", "10:00:00", "10:00:20", A, method="paste")
        told.inspects("aoi", "10:05:00", "10:05:20", A)
        first, last = route(told)
        assert (first.arrived, first.arrived_certainty) == (at("10:00:00"), "inferred")
        assert (first.departed, first.departed_certainty) == (at("10:00:20"), "inferred")
        assert first.departed_by == at("10:05:00")
        assert (last.departed, last.departed_certainty) == (None, "open")
        assert first.certainty == last.certainty == "observed"

    def test_time_of_intake_is_never_an_observed_end(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", A, station="aoi", how="unknown", means="taken_in")
        (visit,) = route(told)
        assert visit.arrived_certainty == "inferred"
        assert "no time" in (visit.reason or "")

    def test_3_visit_without_any_result_has_no_outcome(self) -> None:
        told = Told()
        told.passes("aoi", "10:00:00", "10:00:10", A)
        assert route(told)[0].outcome is None
        assert told.history("A").completeness.without_result == 1

    def test_a_decision_or_a_review_from_pictures_is_no_visit(self) -> None:
        told = Told()
        told.say("board.held", "10:00:00", A, station="office", reason="waiting")
        told.say(
            "inspection.reviewed", "10:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi"
        )
        assert route(told) == ()

    def test_a_review_desk_that_read_the_board_saw_it(self) -> None:
        told = Told()
        told.say("inspection.reviewed", "10:00:00", A, station="desk", inspected_at="aoi")
        assert [visit.station for visit in route(told)] == ["desk"]


class TestComingAgain:
    def test_a_second_pass_after_a_departure(self) -> None:
        told = Told()
        told.passes("aoi", "10:00:00", "10:00:30", A, source="transfer")
        told.passes("aoi", "10:00:50", "10:01:20", A, source="transfer")
        assert [(visit.pass_, visit.certainty) for visit in route(told)] == [(1, "observed"), (2, "observed")]

    def test_a_second_pass_after_being_seen_elsewhere(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A)
        told.say("inspection.rework_performed", "11:00:00", A, station="bench", kind="rework")
        told.inspects("aoi", "12:00:00", "12:00:20", A)
        assert [(v.station, v.pass_, v.certainty) for v in route(told)] == [
            ("aoi", 1, "observed"), ("bench", 1, "observed"), ("aoi", 2, "observed"),
        ]  # fmt: skip

    def test_passes_are_counted_side_by_side(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:00:30", A, side="bottom")
        told.passes("print", "12:00:00", "12:00:30", A, side="top")
        told.passes("print", "14:00:00", "14:00:30", A, side="top")
        assert [(visit.side, visit.pass_) for visit in route(told)] == [("bottom", 1), ("top", 1), ("top", 2)]

    def test_2_same_work_again_without_departure_is_suspect_never_observed(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:20", A)
        told.inspects("aoi", "10:00:40", "10:01:00", A, outcome="failed")
        first, again = route(told)
        assert first.certainty == "observed"
        assert (again.certainty, again.probability) == ("inferred", REPEATED)
        assert kinds(told) == ["repeated_identifier"]
        assert [i.certainty for i in told.history("A").inspections] == ["observed", "inferred"]

    def test_2_same_identifier_arriving_again_without_departure_is_suspect(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", A, station="print", how="transferred")
        told.say("board.arrived", "10:00:40", A, station="print", how="transferred")
        assert [visit.certainty for visit in route(told)] == ["observed", "inferred"]
        assert kinds(told) == ["repeated_identifier"]

    def test_the_same_arrival_stated_twice_is_one(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", A, station="print", how="transferred", source="transfer")
        told.say("board.arrived", "10:00:00.4", A, station="print", how="transferred", source="transfer")
        told.say("board.arrived", "10:00:30", A, station="print", how="transferred", source="messages")
        assert [visit.certainty for visit in route(told)] == ["observed"]

    def test_an_attempt_counted_by_the_machine_stays_in_the_visit(self) -> None:
        told = Told()
        for attempt, clock in ((1, "10:00:00"), (2, "10:01:00")):
            told.say(
                "inspection.test_completed", clock, A, station="ict", method="in_circuit", attempt=attempt,
                outcome="failed" if attempt == 1 else "passed", started=clock,
            )  # fmt: skip
        (visit,) = route(told)
        assert (visit.certainty, visit.outcome) == ("observed", "passed")

    def test_6_boards_lie_as_their_panel_lies(self) -> None:
        told = Told()
        told.say(
            "board.arrived", "10:00:00", panel("P", side_up="bottom"), board("A", panel="P", position=1),
            station="jet", how="transferred",
        )  # fmt: skip
        assert [visit.side for visit in route(told)] == ["bottom"]

    @pytest.mark.parametrize(
        ("second", "reworked", "certainties"),
        [(1, False, ["inferred", "inferred"]), (2, False, ["observed"] * 2), (1, True, ["observed"] * 2)],
        ids=["the same attempt twice", "the next attempt", "counted anew after rework"],
    )
    def test_2_an_attempt_made_twice_may_be_of_another_board(
        self, second: int, reworked: bool, certainties: list[str]
    ) -> None:
        told = Told()
        for attempt, start, end in ((1, "10:00:00", "10:00:30"), (second, "11:00:00", "11:00:30")):
            told.say("board.arrived", start, A, station="ict", how="inserted", source="transfer")
            told.say(
                "inspection.test_completed", end, A, station="ict", method="in_circuit", attempt=attempt,
                outcome="passed", started=start,
            )  # fmt: skip
            told.say("board.departed", end, A, station="ict", how="removed", source="transfer")
        if reworked:
            told.say("inspection.rework_performed", "10:30:00", A, station="bench", kind="rework")
        assert [v.certainty for v in route(told) if v.station == "ict"] == certainties

    def test_two_places_at_once_is_a_finding_and_both_are_conflicting(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:20:00", A)
        told.say("board.arrived", "10:10:00", A, station="aoi", how="transferred")
        told.say("board.departed", "10:11:00", A, station="aoi", how="transferred")
        assert [(visit.station, visit.certainty) for visit in route(told)] == [
            ("print", "conflicting"), ("aoi", "conflicting"),
        ]  # fmt: skip
        assert "two_places" in kinds(told)

    def test_clocks_a_little_apart_are_no_contradiction(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:00:40", A)
        told.passes("spi", "10:00:15", "10:01:00", A)
        assert [visit.certainty for visit in route(told)] == ["observed", "observed"]
        assert kinds(told) == []


class TestUnknownPlace:
    def test_15_station_not_known_gives_candidates_never_a_default(self) -> None:
        told = Told()
        told.say(
            "work.completed", "10:00:00", A, source="shared", candidates=["aoi-2", "aoi-1"], outcome="unknown"
        )
        (visit,) = route(told)
        assert (visit.station, visit.candidates) == (None, ("aoi-1", "aoi-2"))
        assert (visit.certainty, visit.probability) == ("inferred", 0.5)

    def test_15_one_of_two_stations_joins_the_visit_that_was_seen(self) -> None:
        told = Told()
        told.passes("aoi-1", "10:00:00", "10:00:30", A)
        told.say(
            "work.completed",
            "10:00:20",
            A,
            source="shared",
            candidates=["aoi-1", "aoi-2"],
            outcome="completed",
        )
        (visit,) = route(told)
        assert (visit.station, visit.outcome, visit.certainty) == ("aoi-1", "completed", "observed")

    def test_15_lane_not_stated_stays_unknown_and_two_lanes_are_told(self) -> None:
        told = Told()
        told.passes("aoi", "10:00:00", "10:00:30", A)
        assert route(told)[0].lane is None
        told.inspects("aoi", "10:00:05", "10:00:25", A, lane=1, source="log")
        told.say("work.completed", "10:00:26", A, station="aoi", source="other", outcome="unknown", lane=2)
        assert kinds(told) == ["two_lanes"]


class TestTwoSides:
    def test_6_second_side_days_later_on_another_line_is_one_history(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        told.passes("print", "10:01:00", "10:01:30", panel("P"), side="bottom", order="WO-1")
        told.say(
            "inspection.completed", at("09:00:00", day=4), board("A"), station="aoi", method="optical",
            source="/harbour/smt/line-2/aoi", side="top", order="WO-2", outcome="passed", means="end",
        )  # fmt: skip
        history = told.history("A")
        assert [(visit.station, visit.side) for visit in history.route] == [
            ("load", None), ("print", "bottom"), ("aoi", "top"),
        ]  # fmt: skip
        assert [order.order for order in history.identity.work_orders] == ["WO-1", "WO-2"]
        assert {source.source.split("/")[3] for source in history.completeness.sources} == {
            "line-1",
            "line-2",
        }


class TestSides:
    def test_6_the_other_side_at_the_same_station_is_another_visit_though_nobody_saw_the_board_leave(
        self,
    ) -> None:
        told = Told()
        told.inspects("spi", "10:00:00", "10:00:20", A, source="log", side="bottom")
        told.inspects("spi", "11:30:00", "11:30:20", A, source="log", side="top")
        first, second = route(told)
        assert [(first.side, first.certainty), (second.side, second.certainty)] == [
            ("bottom", "observed"),
            ("top", "observed"),
        ]
        assert kinds(told) == []


class TestOneInstant:
    def test_a_board_handed_back_at_once_leaves_before_it_comes_again(self) -> None:
        told = Told()
        for start, end in (("10:00:00", "10:00:20"), ("10:00:20", "10:02:00")):
            told.say("board.arrived", start, A, station="review", source="transfer", how="transferred")
            told.say("board.departed", end, A, station="review", source="transfer", how="transferred")
        first, second = route(told)
        assert [(first.arrived, first.departed), (second.arrived, second.departed)] == [
            (at("10:00:00"), at("10:00:20")),
            (at("10:00:20"), at("10:02:00")),
        ]
        assert {first.certainty, second.certainty} == {"observed"}
        assert kinds(told) == []

    def test_a_board_that_was_there_for_no_time_at_all_came_before_it_left(self) -> None:
        told = Told()
        told.say("board.departed", "10:00:00", A, station="jet", source="transfer", how="transferred")
        told.say("board.arrived", "10:00:00", A, station="jet", source="transfer", how="transferred")
        (visit,) = route(told)
        assert (visit.arrived, visit.departed, visit.certainty) == (
            at("10:00:00"),
            at("10:00:00"),
            "observed",
        )

"""Situations of real lines that make a record wrong when forgotten, by their number in the list of situations.

Trade facts without another source: common practice. Other modules test the same situations more closely where they
are built (identity, visits, inspections); here each is answered as a whole, as the person who asks would see it.
"""

from datetime import timedelta

import pytest
from told import AS_OF, Told, at, board, call, history_of, panel, verdict

from broker_bridge.trace.balance import balance, course, member
from broker_bridge.trace.history import History
from broker_bridge.trace.inspections import Place
from broker_bridge.trace.mentions import Node, Slot
from broker_bridge.trace.references import find

A = board("A")


def kinds(history: History) -> set[str]:
    return {finding.kind for finding in history.findings}


def declared(told: Told, *stations: str, day: int = 0, **more: object) -> None:
    told.say(
        "line.declared", at("06:00:00", day), source="plan", line="line-1", valid_from=at("06:00:00", day),
        stations=[{"name": name} for name in stations], **more,
    )  # fmt: skip


class Test1Positions:
    def test_positions_of_two_machines_are_not_joined_without_a_table(self) -> None:
        told = Told()
        told.inspects("spi", "10:00:00", "10:00:10", board(panel="P", position=1), method="paste")
        told.inspects(
            "aoi",
            "10:10:00",
            "10:10:10",
            board(panel="P", machine_position="1"),
            outcome="failed",
            calls=[call("R1")],
        )
        history = history_of(told.facts, Slot(Node("panel", "P"), 1))
        assert [one.station for one in history.inspections] == ["spi"]
        assert history.defects == history.undecided == ()
        assert [(gap.where, gap.cause) for gap in history.gaps] == [("aoi", "position order not known")]

    def test_a_call_at_a_component_the_part_does_not_have_is_a_finding(self) -> None:
        told = Told()
        told.say(
            "line.part_declared", "06:00:00", source="plan", valid_from=at("06:00:00"), part={"number": "HW-1"},
            placement=[{"name": "R1", "side": "top"}, {"name": "U7", "side": "bottom"}],
        )  # fmt: skip
        told.inspects(
            "aoi", "10:00:00", "10:00:10", A, part={"number": "HW-1"}, side="top", outcome="failed",
            calls=[call("R1"), call("X9"), call("U7")],
        )  # fmt: skip
        texts = [finding.text for finding in told.history("A").findings]
        assert len(texts) == 1
        assert "X9" in texts[0]
        assert "U7 is placed on the bottom" in texts[0]
        assert "R1" not in texts[0]


class Test2WrongCodes:
    @pytest.mark.parametrize("how", ["read", "passed_on", "typed", "assumed"])
    def test_how_each_identifier_was_obtained_is_told(self, how: str) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", board("A", how=how), station="aoi", how="unknown")
        (identifier,) = told.history("A").identity.identifiers
        assert identifier.how == (how,)

    def test_the_same_code_again_without_a_departure_is_suspect_and_never_observed(self) -> None:
        told = Told()
        for clock in ("10:00:00", "10:05:00"):
            told.inspects("aoi", clock, clock, A)
        history = told.history("A")
        assert [visit.certainty for visit in history.route] == ["observed", "inferred"]
        assert "repeated_identifier" in kinds(history)

    def test_two_places_at_once_is_a_finding_and_no_merge(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:20:00", A)
        told.passes("aoi", "10:05:00", "10:10:00", A)
        history = told.history("A")
        assert {visit.certainty for visit in history.route} == {"conflicting"}
        assert kinds(history) == {"two_places"}


class Test3NoRowIsNoPass:
    @pytest.mark.parametrize("outcome", ["bypassed", "skipped", "not_inspected", "aborted", "unknown"])
    def test_what_was_not_looked_at_is_no_pass(self, outcome: str) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:10", A, outcome=outcome)
        history = told.history("A")
        assert history.inspections[0].outcome == outcome

    def test_a_bypassed_inspection_lets_nothing_pass_again(self) -> None:
        told = Told()
        told.inspects("aoi", "10:00:00", "10:00:10", A, outcome="failed", calls=[call("R1")])
        told.say(
            "inspection.rework_performed", "11:00:00", A, station="bench", kind="rework", outcome="completed",
            actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
        )  # fmt: skip
        told.inspects("aoi", "12:00:00", "12:00:10", A, outcome="bypassed")
        told.inspects("aoi", "13:00:00", "13:00:10", A, coverage={"left_out": ["R1"]})
        (defect,) = told.history("A").defects
        assert (defect.state, defect.looked_again) == ("reworked", None)
        told.inspects("aoi", "14:00:00", "14:00:10", A)
        (defect,) = told.history("A").defects
        assert (defect.state, defect.looked_again) == ("passed_again", at("14:00:00"))

    def test_a_station_without_a_word_is_a_gap_not_a_pass(self) -> None:
        told = Told()
        declared(told, "print", "spi", "aoi")
        told.passes("print", "10:00:00", "10:01:00", A)
        told.inspects("aoi", "10:10:00", "10:10:10", A)
        history = told.history("A")
        assert [(gap.kind, gap.where) for gap in history.gaps] == [("silent", "spi")]
        assert history.completeness.without_result == 1


class Test4OneFactTwice:
    def test_many_witnesses_are_one_visit_and_one_inspection(self) -> None:
        told = Told()
        told.passes("aoi", "10:00:00", "10:01:00", board("A", "transfer=T"), source="transfer")
        for generation in ("first", "copy", "again"):
            told.inspects(
                "aoi", "10:00:05", "10:00:40", A, generation=generation, position=1, source="aoi-files"
            )
        history = told.history("A")
        assert [visit.station for visit in history.route] == ["aoi"]
        (inspection,) = history.inspections
        assert len(inspection.evidence) == 3

    def test_a_loader_that_says_it_doubly_makes_no_visit_of_no_length(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", panel("P"), station="load", source="transfer", how="loaded")
        told.say(
            "board.departed", "10:00:20", panel("P"), station="load", source="transfer", how="transferred"
        )
        told.say("board.arrived", "10:00:20", panel("P"), station="load", source="transfer", how="loaded")
        assert [visit.pass_ for visit in told.history("P", "panel").route] == [1]


class Test5PositionStates:
    def test_who_said_what_of_the_position_and_when(self) -> None:
        told = Told()
        here = {"panel": "P", "position": 4}
        told.say("board.arrived", "10:00:00", board(**here, state="good"), station="print", how="unknown")
        told.say("board.arrived", "10:05:00", board(**here, state="failed"), station="spi", how="unknown")
        states = history_of(told.facts, Slot(Node("panel", "P"), 4)).identity.states
        assert [(s.state, s.station, s.time) for s in states] == [
            ("good", "print", at("10:00:00")), ("failed", "spi", at("10:05:00")),
        ]  # fmt: skip

    def test_a_crossed_out_position_is_no_board_of_the_order(self) -> None:
        told = Told()
        told.say(
            "board.arrived", "10:00:00", board(panel="P", position=4, state="skipped"), station="print", how="unknown",
            order="WO-1",
        )  # fmt: skip
        history = history_of(told.facts, Slot(Node("panel", "P"), 4))
        found = member(course(history), "WO-1", None, at("10:00:00"))
        assert found is not None
        assert found.state == "skipped"
        assert balance("WO-1", [found], AS_OF).started == ()

    def test_a_transplanted_board_is_the_panels_only_in_its_time(self) -> None:
        told = Told()
        told.say("work.completed", "09:00:00", panel("P"), station="place", outcome="completed")
        told.say("board.joined", "10:00:00", A, station="bench", parent=board(panel="P", position=3))
        told.say("work.completed", "11:00:00", panel("P"), station="oven", outcome="completed")
        history = told.history("A")
        assert [visit.station for visit in history.route] == ["bench", "oven"]
        (kin,) = history.genealogy
        assert (kin.relation, kin.value, kin.position) == ("part_of", "P", 3)


class Test6TwoSides:
    def life(self) -> Told:
        told = Told()
        told.say(
            "board.arrived",
            "08:00:00",
            board("transfer=T"),
            station="load",
            how="loaded",
            side="bottom",
            order="WO-1",
        )
        told.inspects(
            "aoi",
            "08:30:00",
            "08:30:10",
            board("transfer=T"),
            side="bottom",
            outcome="failed",
            calls=[call("C5")],
        )
        told.say("board.identified", "08:40:00", board("A", "transfer=T"), station="label", act="applied")
        told.say(
            "work.completed", at("07:00:00", 3), A, station="place2", source="/harbour/smt/line-2/place2", side="top",
            order="WO-2", outcome="completed",
        )  # fmt: skip
        told.inspects(
            "aoi2", at("08:00:00", 3), at("08:00:10", 3), A, source="/harbour/smt/line-2/aoi2", side="top"
        )
        return told

    def test_one_history_over_days_lines_and_orders(self) -> None:
        history = self.life().history("A")
        assert [(visit.station, visit.side) for visit in history.route] == [
            ("load", "bottom"), ("aoi", "bottom"), ("label", None), ("place2", "top"), ("aoi2", "top"),
        ]  # fmt: skip
        assert [order.order for order in history.identity.work_orders] == ["WO-1", "WO-2"]
        assert history.identity.side == ("bottom", "top")

    def test_a_look_at_the_other_side_is_no_look_at_the_place(self) -> None:
        history = self.life().history("A")
        (open_call,) = history.undecided
        assert (open_call.place, open_call.looked_again) == (Place("C5"), None)


class Test12NoProduct:
    def test_a_reference_board_is_no_board_of_the_order(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A, order="WO-1", purpose="reference")
        found = member(course(told.history("A")), "WO-1", None, at("11:00:00"))
        assert found is not None
        assert (found.state, found.note) == ("not_product", "reference")


class Test14ChangedColumns:
    def test_what_was_rejected_beside_the_board_is_told_not_guessed(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A)
        told.say(
            "source.rejected", "10:00:30", station="spi", reason="column Height [um]: 3.1 mm", code="header"
        )
        (gap,) = told.history("A").gaps
        assert (gap.kind, gap.where, gap.cause) == ("rejected", "spi", "header")
        assert "3.1 mm" in (gap.detail or "")


class Test15SharedComputers:
    def test_a_station_that_is_not_known_is_one_of_its_candidates(self) -> None:
        told = Told()
        told.say(
            "work.completed",
            "10:00:00",
            A,
            source="shared",
            candidates=["aoi-1", "aoi-2"],
            outcome="completed",
        )
        (visit,) = told.history("A").route
        assert (visit.station, visit.candidates) == (None, ("aoi-1", "aoi-2"))
        assert (visit.certainty, visit.probability) == ("inferred", 0.5)

    def test_a_lane_that_is_not_said_is_not_lane_1(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A)
        assert told.history("A").route[0].lane is None


class Test16LateReviews:
    def told(self) -> Told:
        told = Told()
        told.inspects(
            "aoi", "10:00:00", "10:00:20", A, outcome="failed", calls=[call("R1"), call("R2"), call("R3")]
        )
        told.say(
            "inspection.reviewed", "15:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
            inspected="10:00:00", verdicts=[verdict("R1", "confirmed"), verdict("R2", "false_call")],
        )  # fmt: skip
        told.say(
            "inspection.rework_performed", at("09:00:00", 4), A, station="bench", kind="rework", outcome="completed",
            actions=[{"place": {"designator": "R1"}, "action": "resoldered"}],
        )  # fmt: skip
        return told

    def test_three_numbers_each_with_its_as_of(self) -> None:
        standing = self.told().history("A").standing
        assert (standing.called, standing.confirmed, standing.not_reviewed, standing.open) == (3, 1, 1, 0)
        assert (standing.inspected_until, standing.reviewed_until, standing.reworked_until) == (
            at("10:00:20"), at("15:00:00"), at("09:00:00", 4),
        )  # fmt: skip

    @pytest.mark.parametrize(("events", "numbers"), [(1, (3, 0, 3, 0)), (2, (3, 1, 1, 1)), (3, (3, 1, 1, 0))])
    def test_a_published_number_can_be_had_again(self, events: int, numbers: tuple[int, ...]) -> None:
        standing = history_of(self.told().facts[:events], Node("board", "A")).standing
        assert (standing.called, standing.confirmed, standing.not_reviewed, standing.open) == numbers

    def test_rework_days_later_is_a_loop_when_the_board_comes_back(self) -> None:
        told = self.told()
        told.inspects("aoi", at("10:00:00", 4), at("10:00:20", 4), A)
        history = told.history("A")
        (loop,) = history.loops
        assert (loop.station, loop.pass_, loop.through, loop.why) == ("aoi", 2, ("bench",), "rework")
        assert history.defects[0].state == "passed_again"

    def test_what_was_done_before_it_left_explains_no_loop(self) -> None:
        told = self.told()
        told.inspects("aoi", at("10:00:00", 4), at("10:00:20", 4), A)
        told.passes("x-ray", at("11:00:00", 4), at("11:01:00", 4), A)
        told.inspects("aoi", at("12:00:00", 4), at("12:00:20", 4), A)
        assert [(loop.through, loop.why) for loop in told.history("A").loops] == [
            (("bench",), "rework"), (("x-ray",), None),
        ]  # fmt: skip


class Test17InTheOven:
    def test_readings_join_the_interval_the_board_was_inside(self) -> None:
        told = Told()
        told.passes("oven", "10:00:00", "10:06:00", A)
        for clock in ("09:59:00", "10:00:30", "10:05:59", "10:06:30"):
            told.say(
                "reading.recorded", clock, station="oven", stage="zone 7",
                values=[{"name": "temperature", "value": 245.0, "unit": "Cel"}],
            )  # fmt: skip
        found = told.history("A").readings
        assert [reading.time for reading in found] == [at("10:00:30"), at("10:05:59")]

    def test_who_was_inside_at_a_stop_can_be_told_from_the_visits(self) -> None:
        told = Told()
        for serial, arrived, departed in (("A", "10:00:00", "10:06:00"), ("B", "10:07:00", "10:13:00")):
            told.passes("oven", arrived, departed, board(serial))
        stop = at("10:05:00")
        inside = [
            serial
            for serial in "AB"
            for visit in told.history(serial).route
            if visit.arrived <= stop and (visit.departed is None or visit.departed >= stop)
        ]
        assert inside == ["A"]

    def test_the_order_is_the_boards_not_the_lines(self) -> None:
        told = Told()
        told.say("board.introduced", "10:00:00", A, station="load", order="WO-1")
        told.say("work.order_assigned", "10:01:00", source="plan", order="WO-2")
        told.passes("oven", "10:02:00", "10:06:00", A)
        assert [order.order for order in told.history("A").identity.work_orders] == ["WO-1"]


class Test18Magazines:
    def put(self, sealed: bool = True) -> Told:
        told = Told()
        for slot, serial in (("1", "A"), ("2", "B")):
            told.say(
                "board.departed", f"10:0{slot}:00", board(serial), station="unload", how="unloaded", magazine="M",
                slot=slot,
            )  # fmt: skip
        if sealed:
            told.say("board.magazine_handled", "10:05:00", station="unload", magazine="M", act="sealed")
            told.say("board.magazine_handled", "12:00:00", station="load2", magazine="M", act="opened")
        return told

    def test_contents_are_proven_between_sealed_and_opened(self) -> None:
        told = self.put()
        told.say("board.arrived", "12:01:00", station="load2", how="loaded", magazine="M", slot="1")
        history = told.history("A")
        (stay,) = history.magazines
        assert (stay.slot, stay.sealed, stay.opened, stay.to) == (
            "1",
            at("10:05:00"),
            at("12:00:00"),
            at("12:01:00"),
        )
        assert stay.certainty == "observed"
        out = history.route[-1]
        assert (out.station, out.certainty, out.probability) == ("load2", "inferred", 0.95)

    def test_a_magazine_that_was_not_sealed_proves_less(self) -> None:
        told = self.put(sealed=False)
        told.say("board.arrived", "12:01:00", station="load2", how="loaded", magazine="M", slot="1")
        history = told.history("A")
        assert (history.magazines[0].certainty, history.route[-1].probability) == ("inferred", 0.6)
        assert "never sealed" in (history.magazines[0].reason or "")

    def test_one_unexpected_board_makes_it_doubtful(self) -> None:
        told = self.put()
        told.say(
            "board.arrived", "12:00:30", board("C"), station="load2", how="loaded", magazine="M", slot="2"
        )
        told.say("board.arrived", "12:01:00", station="load2", how="loaded", magazine="M", slot="1")
        history = told.history("A")
        assert history.magazines[0].certainty == "conflicting"
        assert history.route[-1].certainty == "conflicting"
        assert kinds(history) == {"doubtful_magazine"}

    def test_a_board_that_is_read_again_has_come_out(self) -> None:
        told = self.put()
        told.say("board.arrived", "12:01:00", A, station="load2", how="loaded", magazine="M", slot="1")
        history = told.history("A")
        assert [(stay.slot, stay.to) for stay in history.magazines] == [("1", at("12:01:00"))]
        assert history.route[-1].certainty == "observed"


class Test19Depaneling:
    def cut(self) -> Told:
        told = Told()
        told.say("work.completed", "10:00:00", panel("P"), station="place", outcome="completed")
        told.say(
            "board.depaneled",
            "11:00:00",
            *(board(panel="P", position=n) for n in (1, 2, 3, 4)),
            station="cut",
        )
        return told

    def test_without_a_mark_it_is_one_of_n(self) -> None:
        told = self.cut()
        told.say("board.identified", "12:00:00", board("customer_serial=CS-1", panel="P"), station="pack")
        history = told.history("CS-1", "customer_serial", places={Node("panel", "P"): 4})
        gaps = [gap for gap in history.gaps if gap.kind == "unjoined"]
        assert "one of 4 boards of the panel" in (gaps[0].detail or "")
        assert history.identity.position is None

    def test_what_happens_to_the_panel_afterwards_is_not_the_boards(self) -> None:
        told = self.cut()
        told.say("work.completed", "12:00:00", panel("P"), station="scrap-bin", outcome="completed")
        history = history_of(told.facts, Slot(Node("panel", "P"), 2))
        assert [visit.station for visit in history.route] == ["place", "cut"]
        assert history.genealogy[0].to == at("11:00:00")

    def test_firmware_and_checksum_tell_it_apart(self) -> None:
        told = Told()
        told.say(
            "board.identified", "10:00:00",
            board("A", "network_address=02:00:00:00:00:01", characteristics=[{"name": "firmware", "value": "1.4"}]),
            station="program",
        )  # fmt: skip
        identity = told.history("02:00:00:00:00:01", "network_address").identity
        assert identity.key.value == "A"
        assert [(c.name, c.value) for c in identity.characteristics] == [("firmware", "1.4")]


class Test20Batches:
    def test_a_batch_is_a_visit_of_each_member_with_its_number(self) -> None:
        told = Told()
        told.say(
            "work.batch_started", "10:00:00", A, board("B"), station="bake", batch="BK-7", process="bake"
        )
        told.say(
            "work.batch_ended", "14:00:00", A, board("B"), station="bake", batch="BK-7", outcome="completed"
        )
        for serial in "AB":
            (visit,) = told.history(serial).route
            assert (visit.station, visit.batch) == ("bake", "BK-7")
            assert (visit.arrived, visit.work) == (at("10:00:00"), ("work.batch_started", "work.batch_ended"))


class Test21Attempts:
    def test_attempts_are_numbered_and_a_pass_without_rework_is_a_finding(self) -> None:
        told = Told()
        for number, (clock, outcome) in enumerate((("10:00:00", "failed"), ("10:05:00", "passed")), 1):
            told.say(
                "inspection.test_completed", clock, A, station="ict", method="in_circuit", outcome=outcome,
                attempt=number, fixture="FX-1", means="end",
            )  # fmt: skip
        history = told.history("A")
        assert [(t.attempt, t.fixture, t.outcome) for t in history.tests] == [
            (1, "FX-1", "failed"), (2, "FX-1", "passed"),
        ]  # fmt: skip
        assert kinds(history) == {"retest_without_rework"}


class Test22Orders:
    def test_a_board_that_went_to_a_rework_order_is_told_there(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A, order="WO-1")
        told.say("work.order_assigned", "12:00:00", A, source="plan", order="WO-1-R", parent="WO-1")
        history = told.history("A")
        first = member(course(history), "WO-1", None, at("13:00:00"))
        second = member(course(history), "WO-1-R", None, at("13:00:00"))
        assert first is not None
        assert second is not None
        assert (first.state, second.state) == ("other_order", "in_process")

    def test_the_balance_adds_up_and_each_term_is_a_list(self) -> None:
        told = Told()
        declared(told, "print", "test")
        for serial in "ABCD":
            told.passes("print", "10:00:00", "10:01:00", board(serial), order="WO-1")
        told.passes("test", "11:00:00", "11:01:00", A)
        told.say("board.dispositioned", "11:00:00", board("B"), disposition="scrap")
        told.passes("test", at("11:00:00", 5), at("11:01:00", 5), board("C"))
        histories = [told.history(serial) for serial in "ABCD"]
        for hours in (1, 24, 500):
            members = [
                member(course(one), "WO-1", None, at("12:00:00", 2), timedelta(hours=hours))
                for one in histories
            ]
            found = balance("WO-1", [one for one in members if one is not None], AS_OF)
            parts = (found.finished, found.scrapped, found.in_process, found.not_accounted_for)
            assert sum(map(len, parts)) == len(found.started) == 4
            assert {one.board for part in parts for one in part} == {one.board for one in found.started}


class Test24Stations:
    def test_the_declared_process_is_that_of_the_date(self) -> None:
        told = Told()
        declared(told, "print", "aoi")
        declared(told, "print", "spi", "aoi", day=10)
        for day, serial in ((0, "A"), (11, "B")):
            told.passes("print", at("10:00:00", day), at("10:01:00", day), board(serial))
            told.passes("aoi", at("10:10:00", day), at("10:11:00", day), board(serial))
        assert told.history("A").gaps == ()
        assert [gap.where for gap in told.history("B").gaps] == ["spi"]

    def test_a_machine_that_moved_is_told_with_each_visit(self) -> None:
        told = Told()
        told.passes("aoi-1", "10:00:00", "10:01:00", A, equipment="SN-7")
        told.passes("aoi-2", at("10:00:00", 9), at("10:01:00", 9), A, equipment="SN-7")
        assert [(v.station, v.equipment) for v in told.history("A").route] == [
            ("aoi-1", "SN-7"),
            ("aoi-2", "SN-7"),
        ]

    def test_a_station_the_process_does_not_know_and_a_wrong_order_are_findings(self) -> None:
        told = Told()
        declared(told, "print", "spi", "aoi")
        told.passes("print", "10:00:00", "10:01:00", A)
        told.passes("aoi", "10:10:00", "10:11:00", A)
        told.passes("spi", "10:20:00", "10:21:00", A)
        told.passes("wave", "10:30:00", "10:31:00", A)
        assert kinds(told.history("A")) == {"unexpected_station", "out_of_order"}


class Test25YearsLater:
    def test_a_returned_board_still_tells_its_first_life(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A)
        told.say("board.shipped", "12:00:00", A, destination="customer")
        told.say("board.dispositioned", at("09:00:00", 3000), A, station="returns", disposition="return")
        told.say("board.arrived", at("10:00:00", 3000), A, station="returns", how="inserted")
        history = told.history("A")
        assert [visit.station for visit in history.route] == ["print", "returns"]
        assert history.completeness.first_seen == at("10:00:00")
        assert [one.type for one in history.decisions] == ["board.shipped", "board.dispositioned"]

    def test_every_statement_of_it_can_be_asked_for_by_its_reference(self) -> None:
        told = Told()
        told.passes("print", "10:00:00", "10:01:00", A)
        one = find(told.history("A"), "v1")
        assert one is not None
        assert (one.reference, one.statement.station) == ("V1", "print")
        assert find(told.history("A"), "V2") is None
        assert find(told.history("A"), "nothing") is None

"""Which statements are about a board: situations 1, 2, 5 and 6 of real lines, and what persons say."""

from told import Told, at, board, panel

from broker_bridge.events.fact import Fact
from broker_bridge.trace.belief import ASSERTED, ASSUMED, STALE, TORN, Evidence
from broker_bridge.trace.history import History, subjects
from broker_bridge.trace.identity import About
from broker_bridge.trace.mentions import Knot, Node, Slot
from broker_bridge.trace.portrait import Key


def about(facts: list[Fact], fact: Fact, asked: Knot) -> About | None:
    """How far one fact is about a thing."""
    (subject,) = subjects(facts, asked)
    (statement,) = [statement for statement in subject.statements if statement.fact.number == fact.number]
    return subject.thing.about(statement)


def certainty(facts: list[Fact], fact: Fact, asked: Knot) -> str | None:
    found = about(facts, fact, asked)
    return found.belief.certainty if found else None


def kinds(history: History) -> set[str]:
    return {finding.kind for finding in history.findings}


A, B, P = Node("board", "A"), Node("board", "B"), Node("panel", "P")


class TestNames:
    def test_a_transfer_identifier_is_the_boards_over_the_event_that_names_both(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        later = told.say("board.arrived", "10:05:00", board("transfer=T"), station="print", how="transferred")
        assert certainty(told.facts, later, A) == "observed"
        assert certainty(told.facts, later, Node("transfer", "T")) == "observed"

    def test_late_identifier_reaches_back_over_proven_links(self) -> None:
        told = Told()
        early = told.say("board.arrived", "08:00:00", board("transfer=T"), station="load", how="loaded")
        foreign = told.say("board.arrived", "08:00:00", board("transfer=U"), station="load", how="loaded")
        told.say("board.identified", "09:00:00", board("A", "transfer=T"), station="label", act="applied")
        assert certainty(told.facts, early, A) == "observed"
        assert certainty(told.facts, foreign, A) is None

    def test_reused_transfer_identifier_long_after_its_last_proof_is_inferred(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        again = told.say(
            "board.arrived", at("10:00:00", day=37), board("transfer=T"), station="load", how="loaded"
        )
        found = about(told.facts, again, A)
        assert found is not None
        assert (found.belief.certainty, found.belief.probability) == ("inferred", STALE)
        assert "888 h" in (found.belief.reason or "")

    def test_reused_transfer_identifier_belongs_to_whom_the_proofs_around_it_name(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        first = told.say("board.arrived", "10:05:00", board("transfer=T"), station="print", how="transferred")
        told.say("board.identified", "10:10:00", board("A", "transfer=T"), station="aoi")
        between = told.say(
            "board.arrived", "10:30:00", board("transfer=T"), station="print", how="transferred"
        )
        told.say("board.identified", "11:00:00", board("B", "transfer=T"), station="load")
        last = told.say("board.arrived", "11:05:00", board("transfer=T"), station="print", how="transferred")
        assert [certainty(told.facts, fact, A) for fact in (first, between, last)] == [
            "inferred",
            "conflicting",
            None,
        ]
        assert [certainty(told.facts, fact, B) for fact in (first, between, last)] == [
            None,
            "conflicting",
            "inferred",
        ]
        assert "shared_identifier" in kinds(told.history("A"))

    def test_two_serials_over_a_chain_of_transfer_identifiers_are_never_merged(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        bridge = told.say("board.identified", "10:05:00", board("transfer=T", "transfer=U"), station="buffer")
        told.say("board.identified", "10:10:00", board("B", "transfer=U"), station="aoi")
        seen = [certainty(told.facts, bridge, A), certainty(told.facts, bridge, B)]
        assert "observed" not in seen
        assert [str(i.value) for i in told.history("A").identity.identifiers if i.kind == "board"] == ["A"]

    def test_new_label_over_the_old_one_is_one_board(self) -> None:
        told = Told()
        old = told.say("board.arrived", "10:00:00", board("OLD"), station="print", how="loaded")
        told.say(
            "board.identified", "10:05:00", board("NEW"), station="label", act="replaced",
            previous=[{"kind": "board", "value": "OLD", "how": "read"}],
        )  # fmt: skip
        new = told.say("board.arrived", "10:10:00", board("NEW"), station="aoi", how="transferred")
        for asked in (Node("board", "OLD"), Node("board", "NEW")):
            assert certainty(told.facts, old, asked) == certainty(told.facts, new, asked) == "observed"

    def test_customer_serial_learnt_after_the_line_finds_the_board(self) -> None:
        told = Told()
        early = told.say("board.arrived", "10:00:00", board("A"), station="aoi", how="transferred")
        told.say(
            "board.identified", at("09:00:00", day=9), board("A", "customer_serial=CS-9"), station="pack"
        )
        history = told.history("CS-9", "customer_serial")
        assert history.identity.key == Key("board", "A")
        assert certainty(told.facts, early, Node("customer_serial", "CS-9")) == "observed"

    def test_placeholder_names_nobody(self) -> None:
        told = Told()
        told.say(
            "board.arrived", "10:00:00", board("A", "transfer=00000000-0000"), station="aoi", how="unknown"
        )
        told.say(
            "board.arrived", "10:00:00", board("B", "transfer=00000000-0000"), station="aoi", how="unknown"
        )
        nothing = told.say("board.arrived", "10:01:00", board("NOREAD"), station="aoi", how="unknown")
        assert certainty(told.facts, nothing, A) is None
        assert kinds(told.history("A")) == set()
        assert subjects(told.facts, Node("board", "NOREAD")) == []

    def test_assumed_identifier_is_never_observed(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", board("A"), station="print", how="loaded")
        guess = told.say(
            "board.arrived", "10:05:00", board("A", how="assumed"), station="spi", how="transferred"
        )
        found = about(told.facts, guess, A)
        assert found is not None
        assert (found.belief.certainty, found.belief.probability) == ("inferred", ASSUMED)

    def test_carrier_is_not_the_board(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", board("A", "carrier=C"), station="wave", how="loaded")
        told.say("board.arrived", "11:00:00", board("B", "carrier=C"), station="wave", how="loaded")
        empty = told.say("board.arrived", "12:00:00", board("carrier=C"), station="wave", how="loaded")
        assert certainty(told.facts, empty, A) is None
        assert kinds(told.history("A")) == set()

    def test_ambiguous_identifier_gives_all_it_may_mean(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        told.say("board.identified", "11:00:00", board("B", "transfer=T"), station="load")
        found = subjects(told.facts, Node("transfer", "T"))
        assert [subject.thing.key for subject in found] == [A, B]


class TestPanels:
    def test_statement_about_the_panel_is_about_each_board_of_it(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        whole = told.say("board.arrived", "10:05:00", panel("P"), station="print", how="transferred")
        found = about(told.facts, whole, A)
        assert found is not None
        assert (found.belief.certainty, found.scope, found.unit) == ("observed", "whole", "panel")

    def test_statements_about_sister_boards_are_not(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        sisters = [
            told.say(
                "board.arrived", "10:05:00", board("B", panel="P", position=2), station="spi", how="unknown"
            ),
            told.say("board.arrived", "10:06:00", board(panel="P", position=3), station="spi", how="unknown"),
            told.say("board.arrived", "10:07:00", board("C", panel="P"), station="spi", how="unknown"),
        ]
        assert [certainty(told.facts, fact, A) for fact in sisters] == [None, None, None]

    def test_board_without_a_serial_is_known_by_panel_and_position(self) -> None:
        told = Told()
        told.say("board.arrived", "10:00:00", panel("P"), station="print", how="transferred")
        own = told.inspects("aoi", "10:10:00", "10:10:20", board(panel="P", position=3), outcome="failed")
        asked = Slot(P, 3)
        assert certainty(told.facts, own, asked) == "observed"
        (subject,) = subjects(told.facts, asked)
        assert subject.thing.unit == "slot"

    def test_serial_and_position_are_one_board_over_the_event_that_names_both(self) -> None:
        told = Told()
        spot = told.inspects("aoi", "10:10:00", "10:10:20", board(panel="P", position=3))
        told.say(
            "board.identified", "10:30:00", board("A", panel="P", position=3), station="label", act="applied"
        )
        assert certainty(told.facts, spot, A) == "observed"
        (subject,) = subjects(told.facts, Slot(P, 3))
        assert subject.thing.key == A

    def test_1_machine_positions_without_a_table_are_never_joined(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        own_way = told.inspects("aoi", "10:10:00", "10:10:20", board(panel="P", machine_position="7"))
        assert certainty(told.facts, own_way, A) is None
        (gap,) = told.history("A").gaps
        assert (gap.kind, gap.where, gap.cause) == ("unjoined", "aoi", "position order not known")

    def test_board_whose_position_is_not_known_gets_nothing_of_single_positions_and_says_so(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P"), station="load")
        spot = told.inspects("aoi", "10:10:00", "10:10:20", board(panel="P", position=1))
        assert certainty(told.facts, spot, A) is None
        (gap,) = told.history("A").gaps
        assert (gap.kind, gap.where, gap.cause) == ("unjoined", "panel P", "position not known")

    def test_labels_on_both_sides_are_one_panel_once_an_event_names_both(self) -> None:
        told = Told()
        top = told.say("board.arrived", "10:00:00", panel("TOP"), station="print", how="loaded", side="top")
        told.say("board.identified", "11:00:00", panel("TOP", "panel=BOT"), station="turn")
        told.say("board.identified", "10:30:00", board("A", panel="TOP", position=2), station="spi")
        bottom = told.inspects("aoi", "12:00:00", "12:00:09", board(panel="BOT", position=2), side="bottom")
        assert certainty(told.facts, bottom, A) == "observed"
        assert certainty(told.facts, top, A) == "observed"
        assert told.history("A").identity.side == ("bottom", "top")

    def test_after_depaneling_the_panel_says_nothing_more_about_its_boards(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        told.say("board.depaneled", "11:00:00", board("A", panel="P", position=1), station="cut")
        frame = told.say("board.arrived", "12:00:00", panel("P"), station="scrap", how="unknown")
        review = told.say(
            "inspection.reviewed", "12:30:00", board(panel="P", position=1), station="desk", outcome="passed"
        )
        assert certainty(told.facts, frame, A) is None
        assert certainty(told.facts, review, A) == "observed"

    def test_one_serial_at_two_positions_is_a_finding(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        told.say("board.identified", "10:30:00", board("A", panel="P", position=4), station="spi")
        spot = told.inspects("aoi", "11:00:00", "11:00:09", board(panel="P", position=1))
        assert "two_positions" in kinds(told.history("A"))
        assert certainty(told.facts, spot, A) == "conflicting"
        assert told.history("A").identity.position is None

    def test_two_serials_at_one_position_are_a_finding_never_a_merge(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        told.say("board.identified", "10:30:00", board("B", panel="P", position=1), station="spi")
        between = told.inspects("jet", "10:10:00", "10:10:09", board(panel="P", position=1))
        assert [certainty(told.facts, between, thing) for thing in (A, B)] == ["conflicting", "conflicting"]
        assert "shared_position" in kinds(told.history("A"))
        assert len(subjects(told.facts, Slot(P, 1))) == 2

    def test_5_transplanted_board_is_a_link_valid_in_time(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", panel="P", position=1), station="load")
        told.say("board.identified", "10:00:00", board("B", panel="Q", position=5), station="load")
        before = told.inspects("spi", "10:30:00", "10:30:09", board(panel="P", position=1))
        gone = told.say(
            "board.separated", "11:00:00", board("A"), station="bench", parent=panel("P", position=1)
        )
        told.say("board.separated", "11:01:00", board("B"), station="bench", parent=panel("Q", position=5))
        told.say("board.joined", "11:05:00", board("B"), station="bench", parent=panel("P", position=1))
        after = told.inspects("aoi", "12:00:00", "12:00:09", board(panel="P", position=1))
        whole = told.say("board.arrived", "12:10:00", panel("P"), station="oven", how="transferred")
        assert [certainty(told.facts, before, t) for t in (A, B)] == ["observed", None]
        assert [certainty(told.facts, after, t) for t in (A, B)] == [None, "observed"]
        assert [certainty(told.facts, whole, t) for t in (A, B)] == [None, "observed"]
        assert certainty(told.facts, gone, A) == "observed"
        for board_name in ("A", "B"):
            assert kinds(told.history(board_name)) == set()
        (panel_now,) = [part for part in told.history("B").identity.within if part.to is None]
        assert (panel_now.value, panel_now.position) == ("P", 1)

    def test_boards_of_an_assembly_carry_its_tests_from_the_joining_on(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A"), station="load")
        unit = {"unit": "assembly", "identifiers": [{"kind": "assembly", "value": "X", "how": "read"}]}
        earlier = told.say(
            "inspection.test_completed",
            "10:30:00",
            unit,
            station="fct",
            method="functional",
            outcome="passed",
        )  # type: ignore[arg-type]
        told.say("board.joined", "11:00:00", board("A"), station="build", parent=unit)
        tested = told.say(
            "inspection.test_completed",
            "12:00:00",
            unit,
            station="fct",
            method="functional",
            outcome="passed",
        )  # type: ignore[arg-type]
        found = about(told.facts, tested, A)
        assert certainty(told.facts, earlier, A) is None
        assert found is not None
        assert (found.belief.certainty, found.scope, found.unit) == ("observed", "whole", "assembly")
        assert told.history("A").identity.assembly == Key("assembly", "X")


class TestPersons:
    def test_assertion_ties_but_stays_inferred(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A"), station="load")
        lost = told.say("board.arrived", "10:05:00", board("transfer=T"), station="spi", how="transferred")
        claim = told.say(
            "board.asserted", "15:00:00", board("A"), board("transfer=T"), source="desk", claim="same",
            who="op-7", why="it is on the shelf in front of me",
        )  # fmt: skip
        found = about(told.facts, lost, A)
        assert found is not None
        assert (found.belief.certainty, found.belief.probability) == ("inferred", ASSERTED)
        told.say(
            "board.asserted", "16:00:00", source="desk", claim="revoked", who="op-9", why="wrong shelf",
            revokes={"source": claim.source, "id": claim.id},
        )  # fmt: skip
        assert certainty(told.facts, lost, A) is None

    def test_denial_does_not_silently_beat_what_machines_state(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
        tied = told.say("board.arrived", "10:05:00", board("transfer=T"), station="spi", how="transferred")
        told.say(
            "board.asserted", "15:00:00", board("A"), board("transfer=T"), source="desk", claim="not_same",
            who="op-7", why="the label was loose",
        )  # fmt: skip
        found = about(told.facts, tied, A)
        assert found is not None
        assert (found.belief.certainty, found.belief.probability) == ("conflicting", TORN)
        assert "denied" in kinds(told.history("A"))

    def test_a_person_can_say_that_a_board_is_part_of_a_panel(self) -> None:
        told = Told()
        told.say("board.identified", "10:00:00", board("A"), station="pack")
        spot = told.inspects("aoi", "09:00:00", "09:00:09", board(panel="P", position=2))
        told.say(
            "board.asserted", "15:00:00", board("A", position=2), source="desk", claim="part_of",
            of=panel("P"), who="op-7", why="the break-off marks fit",
        )  # fmt: skip
        assert certainty(told.facts, spot, A) == "inferred"
        (part,) = told.history("A").identity.within
        assert (part.certainty, part.position) == ("inferred", 2)


def test_every_identifier_names_its_first_and_last_proof() -> None:
    told = Told()
    first = told.say("board.identified", "10:00:00", board("A", "transfer=T"), station="load")
    told.say("board.identified", "10:05:00", board("A", "transfer=T"), station="spi")
    last = told.say("board.identified", "10:10:00", board("A", "transfer=T", how="typed"), station="aoi")
    (transfer,) = [i for i in told.history("A").identity.identifiers if i.kind == "transfer"]
    assert transfer.how == ("read", "typed")
    assert (transfer.from_, transfer.to) == (at("10:00:00"), at("10:10:00"))
    assert set(transfer.evidence) == {Evidence(first.source, first.id), Evidence(last.source, last.id)}


class TestStaleCode:
    def test_2_a_stale_code_read_with_another_board_s_transfer_identifier_is_never_observed(self) -> None:
        told = Told()

        def stayed(
            station: str, came: str, left: str, code: str, transfer: str, at_departure: str = ""
        ) -> None:
            where = {"station": station, "source": "transfer", "how": "transferred"}
            told.say("board.arrived", came, panel(code, f"transfer={transfer}"), **where)
            told.say("board.departed", left, panel(at_departure or code, f"transfer={transfer}"), **where)

        stayed("load", "10:00:00", "10:00:16", "P1", "T1")
        stayed("load", "10:00:16", "10:00:32", "P1", "T2", at_departure="P2")
        stayed("print", "10:01:00", "10:01:20", "P2", "T2")
        first, stale = told.history("P1", "panel").route
        assert (first.departed, first.certainty) == (at("10:00:16"), "observed")
        assert (stale.arrived, stale.certainty) == (at("10:00:16"), "conflicting")
        assert stale.reason is not None
        assert "transfer T2" in stale.reason
        assert {visit.certainty for visit in told.history("P2", "panel").route} == {"observed"}

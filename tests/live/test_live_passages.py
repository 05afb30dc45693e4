"""Who is at a station, and who was there last."""

from looking import row, view
from told import Told, at, board, panel

from broker_bridge.live.passages import Visit
from broker_bridge.live.station import StationNow


def station(said: Told, name: str = "a") -> StationNow:
    return row(view(said.facts), name).station


def sure(said: Told, name: str = "a") -> list[tuple[str, bool]]:
    return [(here.label, here.sure) for here in station(said, name).here]


def visits(said: Told, name: str = "a") -> tuple[Visit, ...]:
    return station(said, name).visits


def test_came_and_left() -> None:
    said = Told()
    said.passes("a", "11:00:00", "11:00:40", board("A"))
    said.say("board.arrived", "11:01:00", board("B"), station="a", how="transferred")
    assert sure(said) == [("B", True)]
    left = station(said).left
    assert left is not None
    assert (left.label, left.at) == ("A", at("11:00:40"))


def test_leaving_in_the_second_of_coming_is_leaving() -> None:
    """Clocks of machines often tell whole seconds. Common practice, no source."""
    said = Told()
    said.say("board.departed", "11:00:00", board("A"), station="a", how="transferred", generation="a")
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", generation="b")
    assert sure(said) == []
    assert len(visits(said)) == 1


def test_seen_later_elsewhere_by_the_same_source_is_gone_by_another_doubtful() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="transfer")
    said.say("board.arrived", "11:02:00", board("A"), station="b", how="transferred", source="transfer")
    assert sure(said) == []
    other = Told()
    other.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="transfer")
    other.say("board.arrived", "11:02:00", board("A"), station="b", how="transferred", source="logs")
    assert sure(other) == [("A", False)]


def test_overtaken_on_its_lane_is_doubtful_on_another_not() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", lane=1)
    said.say("board.arrived", "11:00:10", board("L"), station="a", how="transferred", lane=2)
    said.passes("a", "11:01:00", "11:02:00", board("B"), lane=1)
    assert sure(said) == [("A", False), ("L", True)]


def test_not_heard_since_is_doubtful() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="t")
    said.say("source.disconnected", "11:10:00", station="a", source="t")
    said.say("source.connected", "11:20:00", station="a", source="t")
    said.say("board.arrived", "11:30:00", board("B"), station="a", how="transferred", source="t")
    assert sure(said) == [("A", False), ("B", True)]


def test_boards_without_a_name_are_never_claimed_to_be_here() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board(), station="a", how="transferred")
    assert sure(said) == []
    assert [visit.label for visit in visits(said)] == [""]


def test_a_transfer_moves_a_board_only_when_both_ends_say_complete() -> None:
    said = Told()
    said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="tap")
    said.say(
        "board.transferred",
        "11:01:00",
        board("A"),
        station="a",
        to_station="b",
        giver="complete",
        source="tap",
    )
    assert sure(said) == [("A", True)]
    assert sure(said, "b") == []
    said.say(
        "board.transferred", "11:02:00", board("A"), station="a", to_station="b", giver="complete", taker="complete",
        source="tap",
    )  # fmt: skip
    assert sure(said) == []
    assert sure(said, "b") == [("A", True)]


def test_two_witnesses_of_a_pass_make_one_visit_and_a_second_pass_another() -> None:
    said = Told()
    said.passes("a", "11:00:00", "11:01:00", board("A"), source="transfer")
    said.passes("a", "11:00:03", "11:01:02", board("A"), source="messages")
    said.inspects("a", "11:00:10", "11:00:30", board("A"), source="logs", outcome="failed")
    said.passes("a", "11:30:00", "11:31:00", board("A"), source="transfer")
    first, second = visits(said)
    assert (first.arrived, first.departed, first.done) == (at("11:00:00"), at("11:01:00"), at("11:00:30"))
    assert first.results == ("inspected (optical): failed",)
    assert (second.arrived, second.results) == (at("11:30:00"), ())


def test_what_is_said_of_a_panels_positions_is_said_of_the_panels_visit() -> None:
    said = Told()
    said.say(
        "board.arrived",
        "11:00:00",
        panel("P", "transfer=t"),
        station="a",
        how="transferred",
        source="transfer",
    )
    for position in (1, 2, 3):
        outcome = "failed" if position == 3 else "passed"
        said.inspects(
            "a", "11:00:10", "11:00:30", board(panel="P", position=position), source="logs", outcome=outcome
        )
    (visit,) = visits(said)
    assert visit.label == "P"
    assert visit.results == ("inspected (optical): passed (2x)", "inspected (optical): failed")


def test_a_result_long_after_leaving_is_a_visit_of_its_own() -> None:
    said = Told()
    said.passes("a", "11:00:00", "11:01:00", board("A"), source="transfer")
    said.inspects("a", "11:40:00", "11:41:00", board("A"), source="logs")
    first, second = visits(said)
    assert first.results == ()
    assert second.arrived is None
    assert second.results == ("inspected (optical): passed",)


def test_a_source_that_says_it_doubly_makes_no_second_visit() -> None:
    said = Told()
    for _ in range(2):
        said.say("board.arrived", "11:00:00", board("A"), station="a", how="transferred", source="transfer")
    for _ in range(2):
        said.say("board.departed", "11:00:30", board("A"), station="a", how="transferred", source="transfer")
    assert [(visit.arrived, visit.departed) for visit in visits(said)] == [(at("11:00:00"), at("11:00:30"))]


def test_a_board_that_comes_again_without_having_left_is_here_a_second_time() -> None:
    said = Told()
    for time in ("11:00:00", "11:10:00"):
        said.say("board.arrived", time, board("A"), station="a", how="transferred", source="transfer")
    assert len(visits(said)) == 2
    assert sure(said) == [("A", True)]


def test_what_is_said_of_several_boards_is_said_of_the_one_that_came_last() -> None:
    """Whatever order a set gives their names in: it is another one in every process."""
    said = Told()
    names = [f"B{number}" for number in range(8)]
    for number, name in enumerate(names):
        said.say(
            "board.arrived", f"11:0{number}:00", board(name), station="a", how="transferred", lane=number + 1
        )
    said.say("work.completed", "11:08:30", *map(board, names), station="a", outcome="completed")
    assert [visit.label for visit in visits(said) if visit.done] == ["B7"]

"""One answer to where a board is: what a balance says of it and what a recall says of it cannot differ."""

from told import Told, at, board

from broker_bridge.trace.balance import course, member
from broker_bridge.trace.history import History
from broker_bridge.trace.whereabouts import standing, whereabouts


def made(*serials: str) -> Told:
    told = Told()
    told.say(
        "line.declared", "05:00:00", source="/harbour/smt/line-1/plan", line="line-1", valid_from=at("05:00:00"),
        stations=[{"name": "print"}, {"name": "test"}],
    )  # fmt: skip
    for serial in serials:
        told.passes("print", "10:00:00", "10:01:00", board(serial), order="WO-1")
    return told


def states(history: History) -> tuple[str, str]:
    """As a recall tells it, and as the balance of its order does."""
    where, now = whereabouts(history), at("12:00:00")
    found = member(course(history), "WO-1", None, now)
    assert found is not None
    return standing(where.state, where.there, where.seen, now), found.state


def test_a_board_that_left_its_line_is_not_in_process() -> None:
    told = made("A", "B")
    told.passes("test", "11:00:00", "11:01:00", board("A"))
    where = whereabouts(told.history("A"))
    assert (where.state, where.end, where.since) == ("left_line", "end of line-1", at("11:01:00"))
    assert states(told.history("A")) == ("left_line", "finished")
    assert states(told.history("B")) == ("in_process", "in_process")


def test_a_board_that_came_back_is_in_process_again() -> None:
    told = made("A")
    told.passes("test", "11:00:00", "11:01:00", board("A"))
    told.say("board.arrived", "11:30:00", board("A"), station="print", how="inserted")
    assert states(told.history("A")) == ("in_process", "in_process")
    assert whereabouts(told.history("A")).end is None


def test_a_scrapped_board_that_is_seen_again_is_in_process_and_says_so() -> None:
    told = made("A")
    told.say("board.dispositioned", "10:30:00", board("A"), disposition="scrap")
    assert states(told.history("A")) == ("scrapped", "scrapped")
    told.passes("print", "11:00:00", "11:01:00", board("A"))
    assert states(told.history("A")) == ("in_process", "in_process")
    found = member(course(told.history("A")), "WO-1", None, at("12:00:00"))
    assert found is not None
    assert found.note == "scrapped, and seen again"


def test_a_scrap_that_was_taken_back_holds_no_more() -> None:
    told = made("A")
    told.say("board.dispositioned", "10:30:00", board("A"), disposition="scrap")
    told.say("board.dispositioned", "10:40:00", board("A"), disposition="use_as_is")
    assert states(told.history("A")) == ("in_process", "in_process")


def test_what_was_not_heard_of_for_long_is_not_accounted_for() -> None:
    where = whereabouts(made("A").history("A"))
    assert standing(where.state, where.there, where.seen, at("10:01:00", 1)) == "in_process"
    assert standing(where.state, where.there, where.seen, at("10:01:01", 1)) == "not_accounted_for"

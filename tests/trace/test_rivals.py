"""A stale code read at the first machine travels on with another board's transfer identifier."""

from collections.abc import Sequence
from typing import Any

from told import Told, board, panel

A = "A"
LINE = ("load", "print", "jet")


def goes(told: Told, transfer: str, times: Sequence[tuple[str, str]], stations: Sequence[str] = LINE) -> None:
    """Board A, as the machines call it, passes some stations under a transfer identifier."""
    told_as = board(A, f"transfer={transfer}", how="passed_on")
    for station, (arrived, departed) in zip(stations, times, strict=True):
        for kind, time in (("arrived", arrived), ("departed", departed)):
            told.say(f"board.{kind}", time, told_as, station=station, how="transferred", source="transfer")


def prints(told: Told, time: str, how: str = "read", station: str = "print", **more: Any) -> None:
    told.say(
        "work.completed", time, board(A, how=how), station=station, means="end", outcome="completed",
        source=f"{station}-files", **more,
    )  # fmt: skip


def certainties(told: Told) -> list[tuple[str | None, str]]:
    return [(visit.station, visit.certainty) for visit in told.history(A).route]


OURS = (("10:00:00", "10:00:30"), ("10:01:00", "10:01:30"), ("10:02:00", "10:02:30"))
OTHERS = (("10:00:30", "10:01:00"), ("10:01:30", "10:02:00"), ("10:02:30", "10:03:00"))
LATER = (("11:00:30", "11:01:00"), ("11:01:30", "11:02:00"), ("11:02:30", "11:03:00"))


def test_two_identifiers_at_the_same_time_exclude_each_other() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", OTHERS)
    assert {certainty for _, certainty in certainties(told)} == {"conflicting"}
    assert "another board's" in (told.history(A).route[0].reason or "")


def test_one_after_the_other_is_a_board_that_comes_again() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", LATER)
    assert {certainty for _, certainty in certainties(told)} == {"observed"}


def test_what_a_machine_read_itself_tells_which_pass_it_was() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", OTHERS)
    prints(told, "10:01:30")
    assert [certainty for station, certainty in certainties(told) if station == "print"] == [
        "observed", "conflicting",
    ]  # fmt: skip


def test_where_the_identifier_begins_the_machine_s_own_reading_is_in_doubt_too() -> None:
    """It is from that reading that the identifier got its board."""
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", OTHERS)
    prints(told, "10:00:30", station="load")
    prints(told, "10:00:58", station="load")
    assert {certainty for station, certainty in certainties(told) if station == "load"} == {"conflicting"}


def test_a_reading_of_another_day_where_the_identifier_begins_is_not() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", OTHERS)
    prints(told, "18:00:00", station="load")
    assert certainties(told)[-1] != ("load", "conflicting")


def test_what_a_machine_was_only_told_does_not() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", OTHERS)
    prints(told, "10:02:20", "passed_on", "jet")
    assert {certainty for station, certainty in certainties(told) if station == "jet"} == {"conflicting"}


def test_two_nests_of_one_tester_are_two_boards() -> None:
    told = Told()
    goes(told, "t-1", [("10:00:00", "10:00:30")], ["test"])
    goes(told, "t-2", [("10:00:00", "10:00:33")], ["test"])
    assert {certainty for _, certainty in certainties(told)} == {"conflicting"}


def test_a_new_identifier_within_the_tolerance_of_two_clocks() -> None:
    told = Told()
    goes(told, "t-1", OURS)
    goes(told, "t-2", [("10:02:10", "10:04:00")], ["review"])
    assert {certainty for _, certainty in certainties(told)} == {"observed"}


def test_a_panel_that_was_apart_does_not_come_again() -> None:
    told = Told()
    told.say("board.introduced", "09:00:00", board(A, panel="P", position=1), station="load")
    for time, boards in (("10:00:00", board(A)), ("10:05:00", panel("P", how="passed_on"))):
        station = "test" if time == "10:00:00" else "review"
        told.say("board.arrived", time, boards, station=station, how="inserted", source="transfer")
    assert certainties(told)[1:] == [("test", "observed"), ("review", "conflicting")]


def test_a_board_alone_may_go_on_alone() -> None:
    told = Told()
    for time, station in (("10:00:00", "test"), ("10:05:00", "bench")):
        told.say("board.arrived", time, board(A), station=station, how="inserted", source="transfer")
    assert {certainty for _, certainty in certainties(told)} == {"observed"}

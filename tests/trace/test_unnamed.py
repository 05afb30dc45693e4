"""A pass of which the code was not read is told as what may be missing from every board about then."""

from told import Told, board

A = "A"


def of_the_line(told: Told) -> None:
    for station, clock in (("load", "10:00:00"), ("aoi", "10:20:00")):
        told.say("board.arrived", clock, board(A), station=station, how="transferred", source="transfer")


def gaps(told: Told) -> list[tuple[str, str, str | None]]:
    return [(gap.kind, gap.where, gap.detail) for gap in told.history(A).gaps]


def test_a_board_that_a_station_did_not_name_may_be_this_one() -> None:
    told = Told()
    of_the_line(told)
    told.say(
        "inspection.test_completed",
        "10:30:00",
        station="test",
        outcome="passed",
        method="functional",
        source="test-files",
    )
    detail = "1 statement of a board that was not named; this board may be among them"
    assert gaps(told) == [("unnamed", "test", detail)]


def test_a_placeholder_names_nobody() -> None:
    told = Told()
    of_the_line(told)
    for clock in ("10:30:00", "10:31:00"):
        told.say("inspection.test_completed", clock, board("0000000000"), station="test", outcome="passed", method="functional",
                 source="test-files")  # fmt: skip
    ((kind, where, detail),) = gaps(told)
    assert (kind, where) == ("unnamed", "test")
    assert detail == "2 statements of a board that was not named; this board may be among them"


def test_what_was_not_about_then_or_names_another_is_not_told() -> None:
    told = Told()
    of_the_line(told)
    told.say(
        "inspection.test_completed",
        "18:00:00",
        station="test",
        outcome="passed",
        method="functional",
        source="test-files",
    )
    told.say(
        "inspection.test_completed",
        "10:30:00",
        board("B"),
        station="test",
        outcome="passed",
        method="functional",
    )
    told.say("station.state_changed", "10:30:00", station="test", state="standby", native="wait")
    assert gaps(told) == []

"""What is said of stations that nobody speaks of any more: not that they have no board, but that nothing is known."""

from datetime import timedelta

import pytest
from looking import BUS, CLOCK, NOW, row, view
from told import LINE, Told, at, board

from broker_bridge.bus.wire import SourceState
from broker_bridge.live.picture import Picture, Row
from broker_bridge.live.rows import needs_a_hand, since
from broker_bridge.live.told import tell


def passed(day: int = 0) -> Told:
    said = Told()
    said.say(
        "board.arrived", at("02:00:00", day), board("A"), station="spi", how="transferred", source="transfer"
    )
    said.say(
        "board.departed", at("02:01:00", day), board("A"), station="spi", how="transferred", source="transfer"
    )
    return said


def heard(said: Told, seconds: int | None, condition: str = "idle") -> Row:
    """The row at noon; its source spoke of itself so many seconds ago, or never."""
    picture = Picture()
    for fact in said.facts:
        picture.take(tell(fact))
    if seconds is not None:
        issued = NOW - timedelta(seconds=seconds)
        state = SourceState(
            source=f"{LINE}/transfer", epoch=1, last=1, oldest=2, condition=condition, edge="e", issued=issued
        )
        picture.hearing.take(state, issued, live=True)
    return row(picture.view(CLOCK, BUS), "spi")


def test_a_station_that_nothing_was_heard_of_for_long_is_not_known() -> None:
    found = heard(passed(), None)
    assert (found.state, found.why) == ("not known", "silent since; before: no board")
    assert since(found.station) == at("02:01:00")


def test_as_long_as_its_source_says_that_it_listens_silence_means_that_nothing_happened() -> None:
    assert heard(passed(), 12).state == "no board"


def test_a_station_whose_source_is_silent_is_not_known_at_once() -> None:
    said = Told()
    said.say("board.arrived", "11:58:00", board("A"), station="spi", how="transferred", source="transfer")
    said.say(
        "station.state_changed",
        "11:58:30",
        station="spi",
        state="unscheduled_down",
        native="STOP",
        source="transfer",
    )
    assert needs_a_hand(heard(said, 12))
    found = heard(said, 60)
    assert (found.state, found.why) == ("not known", "silent since; before: unscheduled down")
    assert not needs_a_hand(found), "what is said of its edge needs one"
    assert [board.sure for board in found.station.here] == [False]


@pytest.mark.parametrize("clock", ["04:00:00", "11:59:00"])
def test_without_a_word_of_its_sources_a_shift_is_waited(clock: str) -> None:
    said = Told()
    said.passes("spi", clock, clock, board("A"))
    assert row(view(said.facts), "spi").state == "no board"


def test_what_stopped_a_neighbour_is_not_told_of_one_that_is_not_known() -> None:
    said = passed()
    said.say(
        "line.declared", "01:00:00", source="plan", line="line-1", valid_from=at("01:00:00"),
        stations=[{"name": "spi"}, {"name": "place"}],
    )  # fmt: skip
    said.passes("place", "11:00:00", "11:01:00", board("A"), source="other")
    assert (
        row(view(said.facts), "place").why
        == "no board since 11:01:00; spi, before it, is not heard since 02:01:00"
    )

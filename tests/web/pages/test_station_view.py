"""Stations on a page and in `watch`: the same words."""

from datetime import timedelta

import pytest
from eventful import HOSTILE, LINE
from told import Told, at, board

from broker_bridge.console.screen import rows
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus
from broker_bridge.live.picture import Picture, View
from broker_bridge.live.told import tell
from broker_bridge.web.pages.station_view import PageClock, station_view, stations_view
from broker_bridge.web.pages.texts import plain

NOW = at("10:10:00")


def seen(clock: Clock) -> View:
    told = Told()
    told.passes("print", "10:00:00", "10:01:00", board("A"))
    told.say("board.arrived", "10:05:00", board("B"), station="spi", how="transferred")
    told.say("station.state_changed", "10:06:00", station="spi", state="unscheduled_down", native="STOP")
    told.say("station.alarm_raised", "10:06:00", station="spi", code="E7", text=HOSTILE, severity="error")
    told.say("source.gap", "10:07:00", station="print", source="print", cause="away", start="10:02:00")
    picture = Picture()
    for fact in told.facts:
        picture.take(tell(fact))
    return picture.view(clock, Bus("", True, NOW, ""))


@pytest.fixture(scope="module")
def clock() -> PageClock:
    return PageClock(NOW)


def test_they_are_the_words_of_watch(clock: PageClock) -> None:
    page = stations_view(seen(clock), clock, "")
    plain_clock = Clock(NOW, NOW.tzinfo)
    terminal = " ".join(" ".join(line.text.split()) for line in rows(seen(plain_clock), plain_clock, 400))
    for row in page.lines[0].rows:
        for text in (row.state, row.why, *row.gaps):
            words = plain(text).replace("2026-03-02 ", "").replace(" UTC", "")
            assert words.casefold() in terminal.casefold(), words
        assert row.age in terminal


def test_what_needs_a_hand_is_told_by_shape_and_number(clock: PageClock) -> None:
    page = stations_view(seen(clock), clock, "")
    found = {row.name: row for row in page.lines[0].rows}
    assert page.hands == 1
    assert (found["spi"].shape, found["spi"].state, found["spi"].since) == (
        "hand",
        "unscheduled down",
        at("10:06:00"),
    )
    assert (found["print"].shape, found["print"].state) == ("waits", "no board")
    assert [board.label for board in found["spi"].here] == ["B"]
    assert found["print"].gaps


def test_one_station_tells_its_last_boards_and_what_may_be_missing(clock: PageClock) -> None:
    (row, *_) = [row for row in seen(clock).lines[0][1] if row.station.name == "print"]
    view = station_view(LINE, row, clock)
    assert [(one.label, one.departed) for one in view.passes] == [("A", at("10:01:00"))]
    assert len(view.gaps) == 1
    assert view.row.heard is not None
    assert NOW - view.row.heard < timedelta(hours=1)

"""Stations on a page and in `watch`: the same words."""

from datetime import datetime, timedelta

import pytest
from eventful import HOSTILE, LINE
from told import Told, at, board

from broker_bridge.bus.wire import SourceState
from broker_bridge.console.screen import rows
from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import Bus, kept_by_the_record
from broker_bridge.live.picture import Picture, View
from broker_bridge.live.told import tell
from broker_bridge.web.pages.source_view import sources_view
from broker_bridge.web.pages.station_view import PageClock, station_view, stations_view
from broker_bridge.web.pages.texts import plain
from broker_bridge.web.sources import Source

NOW = at("10:10:00")
SOURCE = f"{LINE}/transfer"


def state(issued: datetime) -> SourceState:
    return SourceState(source=SOURCE, epoch=1, last=1, oldest=2, condition="idle", edge="e", issued=issued)


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


def test_what_may_be_there_is_not_known() -> None:
    """The legend calls the circle `waits, no board`."""
    told = Told()
    told.say("board.arrived", "10:00:00", board("A"), station="load", how="transferred")
    told.say("source.gap", "10:05:00", station="load", cause="away", start="10:02:00")
    told.passes("print", "01:00:00", "01:00:30", board("A"))
    picture = Picture()
    for fact in told.facts:
        picture.take(tell(fact))
    clock = PageClock(NOW)
    page = stations_view(picture.view(clock, kept_by_the_record()), clock, "")
    found = {row.name: (row.state, row.shape) for row in page.lines[0].rows}
    assert found == {"load": ("perhaps a board", "unknown"), "print": ("not known", "unknown")}


def test_a_silent_edge_is_told_above_the_stations() -> None:
    picture = Picture()
    picture.hearing.take(state(at("10:03:00")), at("10:03:00"), live=True)
    clock = PageClock(NOW)
    page = stations_view(picture.view(clock, kept_by_the_record()), clock, "")
    assert [plain(text) for text in page.troubles] == [
        "edge e is silent since 2026-03-02 10:03:00 UTC (7 min): nothing is heard of its machines; it is gone, or the broker"
        " or the recorder is"
    ]


def test_a_source_that_has_fallen_silent_is_told_so_with_its_last_word() -> None:
    said = Source(SOURCE, None, True, 0, "idle", None, 0, at("10:03:00"), at("10:03:00"), True)
    clock = PageClock(NOW)
    (row,) = sources_view([said], [], {}, [], clock, None).rows
    assert (row.condition, row.shape) == ("silent", "hand")
    assert plain(row.detail) == "last word 2026-03-02 10:03:00 UTC (7 min ago): idle"
    (row,) = sources_view([said._replace(silent=False)], [], {}, [], clock, None).rows
    assert (row.condition, row.shape, row.detail) == ("idle", "works", "")


def test_one_station_tells_its_last_boards_and_what_may_be_missing(clock: PageClock) -> None:
    (row, *_) = [row for row in seen(clock).lines[0][1] if row.station.name == "print"]
    view = station_view(LINE, row, clock)
    assert [(one.label, one.departed) for one in view.passes] == [("A", at("10:01:00"))]
    assert len(view.gaps) == 1
    assert view.row.heard is not None
    assert NOW - view.row.heard < timedelta(hours=1)

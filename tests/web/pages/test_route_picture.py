"""The way of a board as a picture: nothing on it that its history does not say."""

from datetime import timedelta

import pytest
from eventful import eventful
from hypothesis import given, settings
from lives import lives
from told import Told, at, board

from broker_bridge.trace.history import AsOf, history, subjects
from broker_bridge.trace.mentions import Node
from broker_bridge.trace.revisions import holding
from broker_bridge.web.pages.route_picture import Picture, picture


def drawn(told: Told, value: str = "A") -> Picture:
    found = picture(told.history(value))
    assert found is not None
    return found


@pytest.fixture(scope="module")
def shown() -> Picture:
    return drawn(eventful())


def test_every_visit_is_one_bar_in_the_row_of_its_station(shown: Picture) -> None:
    rows = dict(shown.rows)
    assert [bar.mark for bar in shown.bars] == [f"V{n}" for n in range(1, 10)]
    stations = ["print", "spi", "place", "oven", "aoi", "desk", "bench", "aoi", "desk"]
    assert [
        rows[name] <= bar.y < rows[name] + 36 for name, bar in zip(stations, shown.bars, strict=True)
    ] == [True] * 9


def test_certainty_ends_passes_and_returns_are_told(shown: Picture) -> None:
    bars = {bar.mark: bar for bar in shown.bars}
    assert (bars["V1"].certainty, bars["V1"].came, bars["V1"].left) == ("observed", True, True)
    assert (bars["V2"].certainty, bars["V2"].came, bars["V2"].left) == ("inferred", False, False)
    assert (bars["V8"].pass_, bars["V8"].back, bars["V8"].failed) == (2, "L1", True)
    assert (bars["V9"].open, bars["V1"].open) == (True, False)
    assert not shown.ways[0].sure, "from an observed visit to an inferred one"
    assert shown.ways[2].sure


def test_a_gap_lies_in_its_row_and_between_its_times(shown: Picture) -> None:
    (gap,) = [hole for hole in shown.holes if hole.kind == "span"]
    oven, aoi = (next(bar for bar in shown.bars if bar.mark == mark) for mark in ("V4", "V5"))
    assert dict(shown.rows)["oven"] == gap.y
    assert oven.x < gap.x < oven.x + oven.width, "it began while the board was there"
    assert aoi.x < gap.x + gap.width, "and ended after it had come to the next"
    assert gap.text.startswith("G1: oven")


def test_a_declared_station_without_a_word_has_an_empty_row(shown: Picture) -> None:
    told = Told()
    told.say(
        "line.declared", "06:00:00", source="plan", line="line-1", valid_from=at("06:00:00"),
        stations=[{"name": name} for name in ("print", "spi", "aoi")],
    )  # fmt: skip
    told.passes("print", "10:00:00", "10:00:30", board("A"))
    told.passes("aoi", "10:02:00", "10:02:30", board("A"))
    made = drawn(told)
    assert [(hole.kind, hole.y) for hole in made.holes] == [("silent", dict(made.rows)["spi"])]


def test_long_waits_are_cut_and_told(shown: Picture) -> None:
    assert "4 h 00 min" in [cut.text for cut in shown.cuts]
    assert shown.width < 3000


def test_a_board_that_was_seen_nowhere_has_no_picture() -> None:
    told = Told()
    told.say("board.identified", "10:00:00", board("A"), source="desk")
    assert picture(told.history("A")) is None


@settings(max_examples=40)
@given(lives())
def test_time_never_runs_back_and_everything_lies_within(facts: list) -> None:
    for subject in subjects(holding(facts), Node("board", "A")):
        made = history(subject, AsOf("record", 1, 0, 0))
        found = picture(made)
        if found is None:
            assert made.route == ()
            continue
        places = [(visit.arrived, bar.x) for visit, bar in zip(made.route, found.bars, strict=True)]
        for (one, x), (other, y) in zip(sorted(places), sorted(places)[1:], strict=False):
            assert x < y if other - one > timedelta(0) else x == y
        for bar in found.bars:
            assert 0 <= bar.x <= bar.x + bar.width <= found.width
            assert 0 <= bar.y <= found.height - 12

"""The last boards at a station, read back from a record's end."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import pytest
from looking import CLOCK
from told import Told, at, board

from broker_bridge.console import past as module
from broker_bridge.console.past import last_boards
from broker_bridge.console.report import of_boards
from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.live.choice import Choice


class Recorded:
    """A record in memory that counts what was read of it."""

    def __init__(self, facts: Sequence[Fact]) -> None:
        self.facts = facts
        self.read = 0

    def newest(self) -> int:
        return len(self.facts)

    def number_at(self, instant: datetime) -> int:
        return 0

    def after(self, number: int, limit: int) -> Sequence[Fact]:
        found = self.facts[number : number + limit]
        self.read += len(found)
        return found

    def close(self) -> None:
        pass


def passes(count: int, between: int = 0) -> Told:
    """Boards through the paste inspection, with so many statements about other stations between them."""
    said = Told()
    for step in range(count):
        start = at("06:00:00") + timedelta(seconds=10 * step)
        said.say("board.arrived", start, board(f"HW-{step}"), station="spi", how="transferred")
        said.say(
            "board.departed",
            start + timedelta(seconds=8),
            board(f"HW-{step}"),
            station="spi",
            how="transferred",
        )
        for _ in range(between):
            said.say("station.state_changed", start, station="place", state="productive", native="RUN")
    return said


def test_the_newest_first() -> None:
    (found,) = last_boards(Recorded(passes(5).facts), Choice(station="spi"), 3)
    assert [visit.label for visit in found.visits] == ["HW-4", "HW-3", "HW-2"]
    assert found.whole
    assert list(of_boards([found], CLOCK, 80, as_json=False))[:3] == [
        "spi in line-1, newest first; times UTC",
        "  board                    came        left        result as told",
        "  HW-4                     06:00:40    06:00:48    nothing said",
    ]


def test_it_looks_back_only_as_far_as_it_has_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_FIRST", 10)
    record = Recorded(passes(100, between=8).facts)
    (found,) = last_boards(record, Choice(station="spi"), 2)
    assert [visit.label for visit in found.visits] == ["HW-99", "HW-98"]
    assert record.read == 10 + 40


def test_it_says_when_it_did_not_look_further(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_FIRST", 10)
    monkeypatch.setattr(module, "_MOST", 40)
    (found,) = last_boards(Recorded(passes(100, between=8).facts), Choice(station="spi"), 50)
    assert not found.whole
    assert list(of_boards([found], CLOCK, 80, as_json=False))[-1] == "  looked back to 06:16:00 only"


def test_a_whole_record_with_fewer_boards_is_whole() -> None:
    (found,) = last_boards(Recorded(passes(2).facts), Choice(station="spi"), 50)
    assert found.whole
    assert len(found.visits) == 2


def test_by_name_of_the_board() -> None:
    (found,) = last_boards(Recorded(passes(12).facts), Choice(station="spi", board="HW-1*"), 50)
    assert [visit.label for visit in found.visits] == ["HW-11", "HW-10", "HW-1"]


def test_every_line_with_a_station_of_that_name() -> None:
    said = passes(1)
    said.say(
        "board.arrived", "07:00:00", board("X"), station="spi", how="loaded", source="/harbour/smt/line-2/spi"
    )
    found = last_boards(Recorded(said.facts), Choice(station="spi"), 5)
    assert [(past.line, past.visits[0].label) for past in found] == [
        ("/harbour/smt/line-1", "HW-0"), ("/harbour/smt/line-2", "X"),
    ]  # fmt: skip


def test_a_station_nobody_spoke_of() -> None:
    with pytest.raises(NotFound, match="the record knows of no board at station 'aoi'"):
        last_boards(Recorded(passes(1).facts), Choice(station="aoi"), 5)

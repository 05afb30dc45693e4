"""One line an event, one whenever something is gone or back; and the screen that may stand still."""

import json
from datetime import UTC

import orjson
import pytest
from looking import BUS, NOW
from told import LINE, Told, at, board

from broker_bridge.bus.wire import EdgeState
from broker_bridge.console.feed import Heard, Notice
from broker_bridge.console.fullscreen import Screen
from broker_bridge.console.message import StateHeard, Unreadable
from broker_bridge.console.streaming import Streaming, Style
from broker_bridge.live.choice import ALL, Choice
from broker_bridge.live.told import tell


def heard(name: str, time: str = "11:59:59", station: str = "spi") -> Heard:
    fact = Told().say(
        "board.arrived",
        time,
        board(name),
        station=station,
        how="transferred",
        source="spi",
        position=ord(name[0]),
    )
    return Heard(tell(fact), fact, False)


def stream(choice: Choice = ALL, *, as_json: bool = False) -> tuple[Streaming, list[str]]:
    lines: list[str] = []
    return Streaming(choice, Style(zone=UTC, as_json=as_json), lines.append, lambda: NOW), lines


def test_chosen_events_one_line_each() -> None:
    streaming, lines = stream(Choice(station="spi"))
    for item in (heard("A"), heard("B", station="aoi"), heard("C")):
        streaming.put(item)
    assert lines == ["11:59:59 spi          A arrived", "11:59:59 spi          C arrived"]


def test_what_is_wrong_is_said_once_and_its_end_too() -> None:
    streaming, lines = stream()
    gone = BUS._replace(connected=False, since=at("11:59:00"), trouble="refused")
    for bus in (gone, gone, BUS, BUS):
        streaming.check(bus)
    assert lines == [
        "12:00:00 !! broker 127.0.0.1:1883 is not reached since 11:59:00 (1 min): what is",
        "            shown is the last known; trying again by itself. refused",
        "12:00:00 !! broker: well again",
    ]


def test_one_of_two_troubles_of_a_subject_is_over() -> None:
    streaming, lines = stream()
    for step, alarms in enumerate((("first 1 s", "second"), ("first 2 s",), ())):
        state = EdgeState(edge="e", alive=True, alarms=alarms, issued=at(f"11:59:5{step}"))
        streaming.put(StateHeard(state, live=True))
        streaming.check(BUS)
    assert [line[12:] for line in lines] == ["edge e: first 1 s", "edge e: second", "edge e: over: second", "edge e: well again"]  # fmt: skip


def test_json_lines() -> None:
    streaming, lines = stream(as_json=True)
    streaming.put(heard("A\x1b[2J"))
    streaming.put(Notice("no record here"))
    streaming.put(Unreadable("a/b", "not JSON"))
    event, *notices = map(json.loads, lines)
    assert (event["kind"], event["type"], event["station"]) == ("event", "board.arrived", "spi")
    assert event["data"]["boards"][0]["identifiers"][0]["value"] == "A\x1b[2J", "letter for letter"
    assert (event["source"], event["time"]) == (f"{LINE}/spi", "2026-03-02T11:59:59Z")
    assert [notice["kind"] for notice in notices] == ["notice"] * 2
    assert notices[1]["text"] == "a payload on a/b is no event: not JSON"
    assert orjson.loads(lines[0]) == event


@pytest.fixture
def screen() -> Screen:
    return Screen("harbour-works", ALL, [(LINE, "spi")], lambda: NOW, UTC)


def test_a_paused_screen_stands_still_and_counts(screen: Screen) -> None:
    screen.put(heard("A"))
    screen.press("p", BUS)
    screen.put(heard("B"))
    screen.put(heard("C"))
    frame = screen.frame(BUS)
    assert [told.label for told, _ in frame.tail] == ["A"]
    assert frame.missed == 2
    screen.press("p", BUS)
    assert [told.label for told, _ in screen.frame(BUS).tail] == ["A", "B", "C"]
    assert screen.frame(BUS).missed == 0


def test_another_station_can_be_chosen_while_it_stands_still(screen: Screen) -> None:
    screen.put(heard("A"))
    screen.put(heard("Z", station="aoi"))
    screen.press("p", BUS)
    screen.press("n", BUS)
    assert [told.label for told, _ in screen.frame(BUS).tail] == ["A"]


def test_how_the_watching_itself_is(screen: Screen) -> None:
    assert screen.frame(BUS).state == "live"
    assert screen.frame(BUS, ready=False).state == "reading the record"
    assert screen.frame(BUS._replace(connected=False)).state == "NO BROKER"


def test_notices_go_by_and_states_are_kept(screen: Screen) -> None:
    screen.put(Notice("no record here"))
    screen.put(StateHeard(EdgeState(edge="e", alive=False, issued=at("11:00:00")), live=True))
    frame = screen.frame(BUS)
    assert frame.notices == ["no record here"]
    assert frame.view.troubles[0].subject == "edge e"

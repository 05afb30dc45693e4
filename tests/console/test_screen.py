"""The view as lines of text: words carry it, and no text of a machine breaks it."""

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from looking import BUS, CLOCK, view
from rich.cells import cell_len
from told import LINE, Told, at, board

from broker_bridge.bus.wire import SourceState
from broker_bridge.console.desk import Desk
from broker_bridge.console.lines import event_line
from broker_bridge.console.screen import STRONG, Frame, Line, draw
from broker_bridge.events.fact import Fact
from broker_bridge.live.choice import ALL, Choice
from broker_bridge.live.hearing import Bus
from broker_bridge.live.picture import Picture
from broker_bridge.live.told import tell

HOSTILE = "\x1b[2J\x9b31m\u202e שלום 温度が高い\u0301\u0301\u0301 [red]x[/red] :smile: " + "W" * 300


ROWS = (("  ", "print"), ("  ", "spi"), ("! ", "place"), ("  ", "oven"))


def busy() -> Told:
    """A line with everything wrong that can be."""
    said = Told()
    said.say(
        "line.declared", "06:00:00", source="plan", line="line-1", valid_from="06:00:00",
        stations=[{"name": name} for name in ("print", "spi", "place", "oven")],
    )  # fmt: skip
    said.passes("print", "11:50:00", "11:50:30", board("HW-1"))
    said.say("board.arrived", "11:50:40", board("HW-1"), station="spi", how="transferred")
    said.inspects("spi", "11:50:45", "11:51:00", board("HW-1"), outcome="failed", method="paste")
    said.say("station.state_changed", "11:45:00", station="place", state="unscheduled_down", native="JAM")
    said.say(
        "station.alarm_raised", "11:45:00", station="place", code="E7", text="Conveyor jam", severity="error"
    )
    said.say(
        "station.alarm_raised", "11:30:00", station="oven", code="T1", text="Zone 3 low", severity="warning"
    )
    said.say("station.alarm_cleared", "11:31:00", station="oven", code="T1")
    said.say("source.gap", "11:20:00", station="oven", source="transfer", cause="away", start="11:19:00")
    return said


def drawn(
    facts: Sequence[Fact],
    *keys: str,
    choice: Choice = ALL,
    bus: Bus = BUS,
    size: tuple[int, int] = (80, 24),
    **more: Any,
) -> list[Line]:
    picture = Picture()
    told = [tell(fact) for fact in facts]
    for one in told:
        picture.take(one)
    state = SourceState(
        source=f"{LINE}/transfer", epoch=1, last=1, oldest=2, condition="away", detail="no route",
        backlog=1500, edge="edge-1", issued=at("11:59:59"),
    )  # fmt: skip
    picture.hearing.take(state, at("12:00:00"), live=True)
    desk = Desk(choice)
    for key in keys:
        alarms = picture.view(CLOCK, bus, desk.choice, desk.seen).alarms
        desk.press(key, places=picture.places(CLOCK.now), alarms=alarms, now=at("11:58:00"))
    seen = picture.view(CLOCK, bus, desk.choice, desk.seen)
    tail = [(one, False) for one in told if desk.choice.takes(one)]
    return draw(Frame("harbour-works", seen, desk, CLOCK, "live", tail, **more), *size)


def texts(lines: Sequence[Line]) -> str:
    return "\n".join(line.text.rstrip() for line in lines)


def test_stations_stand_in_line_order_with_why_they_wait() -> None:
    shown = texts(drawn(busy().facts))
    places = [shown.index(f"\n{mark}{name} ") for mark, name in ROWS]
    assert places == sorted(places)
    assert "HW-1 done since 11:51:00 and still here; place, next in line, is" in shown
    assert "unscheduled down since 11:45:00" in shown
    assert "alarm E7 “Conveyor jam” since 11:45:00" in shown
    assert "gap from 11:19:00 and still open, not connected, transfer" in shown


def test_what_needs_a_hand_is_marked_by_words_and_a_sign_not_by_style_alone() -> None:
    lines = drawn(busy().facts)
    (place,) = [line for line in lines if line.text.startswith("! place")]
    assert "UNSCHEDULED DOWN" in place.text
    assert place.style == STRONG
    assert all(line.text.startswith("! ") for line in lines if line.style == STRONG)


def test_alarms_stay_until_they_are_over_and_seen() -> None:
    shown = texts(drawn(busy().facts))
    assert "alarms: 2, 2 not seen yet (a: seen)" in shown
    assert "! 11:30:00 oven over 11:31:00: T1 (warning) Zone 3 low" in shown
    shown = texts(drawn(busy().facts, "a"))
    assert "alarms: 1, all seen" in shown
    assert "  11:45:00 place stands: E7 (error) Conveyor jam" in shown
    assert "! 11:30:00" not in shown


def test_the_header_tells_time_zone_and_what_is_shown() -> None:
    assert drawn([])[0].text.rstrip() == " harbour-works  12:00:00 UTC  showing all" + " " * 34 + "live"
    shown = drawn([], "p", missed=1234)[0].text
    assert "PAUSED since 11:58:00, 1,234 events since" in shown


def test_who_is_gone_is_said_in_a_sentence_at_the_top() -> None:
    gone = Bus("127.0.0.1:1883", False, at("11:57:00"), "refused")
    lines = drawn(busy().facts, bus=gone)
    assert lines[1].text.startswith(
        "! broker 127.0.0.1:1883 is not reached since 11:57:00 (3 min): what is shown"
    )
    assert "print" in texts(lines), "the last known is still shown, with its age"
    assert "9 min" in texts(lines)


def test_one_station() -> None:
    shown = texts(drawn(busy().facts, "n", "n", size=(80, 40)))
    assert "spi in line-1: has a board since 11:50:40" in shown
    assert "here now" in shown
    assert "HW-1 since 11:50:40, done 11:51:00" in shown
    assert "inspected (paste): failed" in shown
    shown = texts(drawn(busy().facts, choice=Choice(station="oven"), size=(80, 40)))
    assert "gap from 11:19:00" in shown
    assert "T1 (warning) Zone 3 low" in shown


def test_sources_and_keys() -> None:
    shown = texts(drawn(busy().facts, "o", size=(80, 40)))
    (row,) = [line.split() for line in shown.splitlines() if line.startswith("  transfer ")]
    assert row == ["transfer", "away", "-", "1,500", "40", "min", "edge-1"]
    assert "\n      no route\n" in shown
    shown = texts(drawn([], "?"))
    assert "next station" in shown
    assert "no safety function" in shown


def test_what_does_not_fit_can_be_scrolled_to() -> None:
    said = Told()
    for number in range(40):
        said.say(
            "station.state_changed", "11:00:00", station=f"s{number:02}", state="productive", native="RUN"
        )
    top = texts(drawn(said.facts))
    assert "s00" in top
    assert "lines below (down)" in top
    down = texts(drawn(said.facts, *["page down"] * 9))
    assert "s39" in down
    assert "lines above (up)" in down
    assert "below" not in down


def test_events_are_shown_where_there_is_room() -> None:
    shown = texts(drawn(busy().facts, size=(120, 40)))
    assert "latest events (all)" in shown
    assert "11:51:00 spi          [9 min late] HW-1 inspected (paste): failed" in shown


@settings(max_examples=40)
@given(
    st.tuples(st.integers(40, 200), st.integers(6, 60)),
    st.lists(st.sampled_from(["n", "o", "?", "down", "page down", "a", "p", "l"]), max_size=4),
    st.booleans(),
)
def test_any_size_is_filled_exactly_and_nothing_overflows(
    size: tuple[int, int], keys: list[str], gone: bool
) -> None:
    said = busy()
    said.say("board.arrived", "11:59:00", board(HOSTILE), station="place", how="inserted")
    said.say(
        "station.alarm_raised", "11:59:00", station="oven", code=HOSTILE[:200], text=HOSTILE, severity="fatal"
    )
    said.say(
        "station.state_changed", "11:59:00", station="oven", state="standby", native=HOSTILE, reason=HOSTILE
    )
    said.say("source.disconnected", "11:59:00", station="print", source="transfer", detail=HOSTILE)
    said.say("source.rejected", "11:59:00", station="spi", source="logs", reason=HOSTILE, place=HOSTILE)
    bus = Bus("h:1", not gone, at("11:57:00"), HOSTILE if gone else "")
    lines = drawn(said.facts, *keys, size=size, bus=bus, notices=[HOSTILE])
    width, height = size
    assert len(lines) == height
    for line in lines:
        assert cell_len(line.text) <= width
        assert not set(line.text) & set("\x1b\x9b\u202e\n\r")


@pytest.mark.parametrize(
    ("past", "lines", "line"),
    [
        (True, False, "11:00:00 spi          A arrived"),
        (False, False, "11:00:00 spi          [1 h 00 min late] A arrived"),
        (True, True, "11:00:00 line-1/spi           A arrived"),
    ],
)
def test_event_lines(past: bool, lines: bool, line: str) -> None:
    told = tell(Told().say("board.arrived", "11:00:00", board("A"), station="spi", how="transferred"))
    assert event_line(told, CLOCK, 80, past=past, lines=lines) == line


def test_an_event_of_no_known_station_says_who_said_it() -> None:
    told = tell(Told().say("source.rejected", "11:59:59", source="review-files", reason="no"))
    assert event_line(told, CLOCK, 80) == "11:59:59 (revie…iles) REJECTED, kept raw: no"


def test_an_empty_view_says_so() -> None:
    assert "nothing was heard of any yet" in texts(drawn([]))
    assert view([]).lines == ()

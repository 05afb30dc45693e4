"""Why a station waits: only what was said, in one sentence."""

from typing import Any

import pytest
from looking import row, view
from told import Told, board

LINE = [{"name": "print"}, {"name": "spi"}, {"name": "place"}]


def line(said: Told) -> Told:
    said.say("line.declared", "06:00:00", source="plan", line="line-1", valid_from="06:00:00", stations=LINE)
    return said


def state(said: Told, name: str, time: str, word: str, native: str = "X", **more: Any) -> None:
    said.say("station.state_changed", time, station=name, state=word, native=native, **more)


def why(said: Told, name: str) -> str:
    return row(view(said.facts), name).why


def test_a_finished_board_that_stays_is_told_with_what_the_next_station_said() -> None:
    said = line(Told())
    said.say("board.arrived", "11:50:00", board("A"), station="spi", how="transferred")
    said.inspects("spi", "11:50:05", "11:50:20", board("A"))
    assert (
        why(said, "spi")
        == "A done since 11:50:20 and still here; place, next in line, says nothing that stops it"
    )
    said.say("board.arrived", "11:49:00", board("Z"), station="place", how="transferred")
    assert (
        why(said, "spi")
        == "A done since 11:50:20 and still here; place, next in line, holds Z since 11:49:00"
    )
    state(said, "place", "11:51:00", "unscheduled_down", "JAM")
    assert (
        why(said, "spi")
        == "A done since 11:50:20 and still here; place, next in line, is unscheduled down since 11:51:00"
    )


def test_without_a_known_line_nothing_is_said_of_a_next_station() -> None:
    said = Told()
    said.say("board.arrived", "11:50:00", board("A"), station="spi", how="transferred")
    said.inspects("spi", "11:50:05", "11:50:20", board("A"))
    said.say("board.arrived", "11:49:00", board("Z"), station="place", how="transferred")
    assert why(said, "spi") == "A done since 11:50:20 and still here"


def test_a_board_that_may_have_left_unheard_is_no_reason() -> None:
    said = line(Told())
    said.say("board.arrived", "11:50:00", board("A"), station="spi", how="transferred", source="t")
    said.inspects("spi", "11:50:05", "11:50:20", board("A"), source="t")
    said.say("source.gap", "11:51:00", station="spi", source="t", cause="away")
    assert why(said, "spi") == ""


def test_a_board_just_finished_is_not_waiting() -> None:
    said = line(Told())
    said.say("board.arrived", "11:59:30", board("A"), station="spi", how="transferred")
    said.inspects("spi", "11:59:35", "11:59:57", board("A"))
    assert why(said, "spi") == ""


def test_an_empty_station_is_told_with_what_the_one_before_said() -> None:
    said = line(Told())
    said.passes("spi", "11:40:00", "11:40:40", board("A"))
    assert why(said, "spi") == "", "nothing is known of the printer"
    said.say("station.alarm_raised", "11:41:00", station="print", code="E7", severity="error")
    assert why(said, "spi") == "no board since 11:40:40; print, before it, has alarm E7 since 11:41:00"


def test_a_machines_own_words_are_told() -> None:
    said = Told()
    state(said, "place", "11:55:00", "standby", "BLOCKED", reason="next machine not ready")
    assert why(said, "place") == "machine says “BLOCKED: next machine not ready”"
    assert row(view(said.facts), "place").state == "standby"


def test_a_working_station_has_no_sentence() -> None:
    said = Told()
    state(said, "place", "11:55:00", "productive", "RUN")
    assert why(said, "place") == ""


def test_alarm_and_empty_slot() -> None:
    said = Told()
    reel, slot = {"id": "R1"}, {"slot": "12"}
    said.say("material.low", "11:50:00", station="place", source="m", material=reel, feeding=slot, empty=True)
    said.say(
        "station.alarm_raised",
        "11:50:05",
        station="place",
        code="E1",
        text="no part",
        severity="error",
        alarm="k",
    )
    assert why(said, "place") == "alarm E1 “no part” since 11:50:05; slot 12 empty since 11:50:00"
    said.say("material.set_up", "11:52:00", station="place", source="m", material=reel, feeding=slot)
    said.say("station.alarm_cleared", "11:52:00", station="place", code="E1", alarm="k")
    assert why(said, "place") == ""


def test_the_alarm_that_the_state_names_goes_before_newer_ones() -> None:
    said = Told()
    said.say("station.alarm_raised", "11:50:00", station="place", code="E1", severity="error", alarm="k1")
    said.say("station.alarm_raised", "11:51:00", station="place", code="E2", severity="error", alarm="k2")
    state(said, "place", "11:52:00", "unscheduled_down", "STOP", alarm="k1")
    assert why(said, "place").startswith("alarm E1 since 11:50:00")


def test_a_warning_is_no_reason() -> None:
    said = Told()
    said.say("station.alarm_raised", "11:50:00", station="place", code="W", severity="warning")
    assert why(said, "place") == ""


@pytest.mark.parametrize("later", [False, True])
def test_a_machine_that_is_gone(later: bool) -> None:
    said = Told()
    state(said, "place", "11:00:00", "productive", "RUN", source="transfer")
    said.say("source.disconnected", "11:10:00", station="place", source="transfer", detail="refused")
    if later:
        said.inspects("place", "11:20:00", "11:21:00", board("A"), source="logs")
    seen = row(view(said.facts), "place")
    assert seen.why == "machine not connected to transfer since 11:10:00 (refused)"
    # Its files still come: what it said of itself is the last known, and the channel's end stands in the sentence.
    assert seen.state == ("productive" if later else "not connected")
    said.say("source.connected", "11:30:00", station="place", source="transfer")
    assert row(view(said.facts), "place").why == ""


def test_a_source_that_spoke_again_is_not_gone() -> None:
    said = Told()
    said.say("source.disconnected", "11:10:00", station="place", source="transfer")
    state(said, "place", "11:30:00", "productive", "RUN", source="transfer")
    assert row(view(said.facts), "place").state == "productive"

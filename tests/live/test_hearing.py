"""Who is gone, each said in a sentence that is true."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from looking import BUS, CLOCK, NOW
from told import LINE, at

from broker_bridge.bus.wire import EdgeState, RecordState, SourceState
from broker_bridge.live.hearing import (
    SILENT,
    Bus,
    Hearing,
    Trouble,
    kept_by_the_record,
    last_word,
    silence_words,
)

SOURCE = f"{LINE}/transfer"


def source(issued: datetime = NOW, condition: str = "reading", **more: Any) -> SourceState:
    return SourceState(
        source=SOURCE, epoch=1, last=9, oldest=10, condition=condition, edge="e", issued=issued, **more
    )


def edge(issued: datetime = NOW, alive: bool = True, **more: Any) -> EdgeState:
    return EdgeState(edge="e", alive=alive, issued=issued, **more)


def record(issued: datetime = NOW, condition: Any = "recording", **more: Any) -> RecordState:
    return RecordState(
        record="r", incarnation=1, events=9, commit=9, condition=condition, issued=issued, **more
    )


def texts(hearing: Hearing, bus: Bus = BUS, at_: datetime = NOW) -> list[str]:
    return [trouble.text for trouble in troubles(hearing, bus, at_)]


def troubles(hearing: Hearing, bus: Bus = BUS, at_: datetime = NOW) -> list[Trouble]:
    return list(hearing.troubles(bus, CLOCK._replace(now=at_)))


def test_all_is_well() -> None:
    hearing = Hearing()
    for state in (source(), edge(), record()):
        hearing.take(state, NOW, live=True)
    assert texts(hearing) == []


def test_the_broker_is_gone_and_nothing_is_said_of_those_behind_it() -> None:
    hearing = Hearing()
    hearing.take(edge(alive=False), NOW, live=True)
    bus = Bus("10.0.0.7:1883", False, at("11:57:00"), "10.0.0.7:1883 cannot be reached: refused")
    assert texts(hearing, bus) == [
        "broker 10.0.0.7:1883 is not reached since 11:57:00 (3 min): what is shown is the last known; trying again by"
        " itself. 10.0.0.7:1883 cannot be reached: refused"
    ]


def test_a_will_says_that_the_edge_is_gone_not_when() -> None:
    """The will was written when the edge connected; the last sign of life is what counts."""
    hearing = Hearing()
    hearing.take(edge(at("11:50:00")), at("11:50:00"), live=True)
    hearing.take(source(at("11:59:30")), at("11:59:30"), live=True)
    assert hearing.take(edge(at("08:00:00"), alive=False), NOW, live=True)
    (text,) = texts(hearing)
    assert text.startswith("edge e is gone, last sign of life 11:59:30 (30 s ago)")


def test_an_old_state_of_a_living_edge_changes_nothing() -> None:
    hearing = Hearing()
    hearing.take(edge(NOW), NOW, live=True)
    assert not hearing.take(edge(at("08:00:00")), NOW, live=False)
    assert not hearing.take(edge(at("08:00:00"), alive=False), NOW, live=False)
    assert texts(hearing) == []


def test_an_edge_is_silent_only_when_a_beat_could_have_been_heard() -> None:
    hearing = Hearing()
    hearing.take(edge(at("09:00:00")), NOW, live=False)
    just = BUS._replace(since=NOW - timedelta(seconds=5))
    assert texts(hearing, just) == []
    (text,) = texts(hearing, just, NOW + SILENT)
    assert text.startswith("edge e is silent since 09:00:00")


def test_a_record_that_is_gone_waits_or_is_silent() -> None:
    hearing = Hearing()
    hearing.take(record(condition="gone", issued=at("11:59:00")), NOW, live=True)
    assert texts(hearing) == [
        "record r is gone, last sign of life 11:59:00: events wait at the edges; start the role recorder"
    ]
    hearing.take(record(condition="waiting", detail="disk full"), NOW, live=True)
    assert texts(hearing) == ["record r waits since 12:00:00: disk full"]
    hearing.take(record(NOW + timedelta(seconds=1)), NOW + timedelta(seconds=1), live=True)
    assert texts(hearing) == []
    assert texts(hearing, at_=NOW + 2 * SILENT) == [
        "record r is silent, last sign of life 12:00:01: events wait at the edges; start the role recorder"
    ]


def test_a_source_in_trouble_and_since_when_as_far_as_it_was_heard() -> None:
    hearing = Hearing()
    hearing.take(source(at("11:59:40"), "away", detail="share not mounted"), NOW, live=False)
    assert texts(hearing) == ["transfer is away: share not mounted"], "since when was not heard"
    hearing.take(source(at("11:59:42")), NOW, live=True)
    hearing.take(source(at("11:59:45"), "away", detail="share not mounted"), NOW, live=True)
    hearing.take(source(at("11:59:50"), "away", detail="share not mounted"), NOW, live=True)
    assert texts(hearing) == ["transfer is away since 11:59:45: share not mounted"]


def test_a_silent_edge_is_said_with_its_last_word_and_its_sources_are_silent() -> None:
    hearing = Hearing()
    hearing.take(source(at("11:53:00"), "idle"), at("11:53:00"), live=True)
    (text,) = texts(hearing)
    assert text == "edge e is silent since 11:53:00 (7 min): nothing is heard of its machines"
    (now,) = hearing.sources(BUS, CLOCK)
    assert now.silent
    assert silence_words(now.condition, now.heard, CLOCK) == "last word 11:53:00 (7 min ago): idle"
    (text,) = texts(hearing, kept_by_the_record())
    assert text.endswith("; it is gone, or the broker or the recorder is")


def test_a_source_that_was_taken_out_is_silent_and_no_trouble() -> None:
    hearing = Hearing()
    hearing.take(source(at("09:00:00"), "away"), at("09:00:00"), live=True)
    hearing.take(edge(NOW), NOW, live=True)
    assert texts(hearing) == []
    assert hearing.sources(BUS, CLOCK)[0].silent


@pytest.mark.parametrize(
    ("issued", "received", "heard"),
    [
        ("11:53:00", "11:53:02", "11:53:02"),
        ("11:55:00", "11:53:02", "11:53:02"),  # the edge's clock is ahead
        ("09:00:00", "11:53:00", "09:00:00"),  # the broker's kept copy, taken in anew
        ("13:00:00", "11:53:00", "11:53:00"),
    ],
)
def test_a_kept_state_was_heard_when_it_was_received(issued: str, received: str, heard: str) -> None:
    assert last_word(at(issued), at(received)) == at(heard)


def test_a_gone_edge_explains_its_sources() -> None:
    hearing = Hearing()
    hearing.take(source(condition="stopped", backlog=5000), NOW, live=True)
    assert len(texts(hearing)) == 2
    hearing.take(edge(alive=False), NOW, live=True)
    assert [trouble.subject for trouble in troubles(hearing)] == ["edge e"]


def test_what_waits_and_what_an_edge_alarms() -> None:
    hearing = Hearing()
    hearing.take(edge(alarms=("outbox is at its ceiling: 900 of 1,000 bytes",)), NOW, live=True)
    hearing.take(source(backlog=1234, alarms=("no receipt for 35 s",)), NOW, live=True)
    assert texts(hearing) == [
        "edge e: outbox is at its ceiling: 900 of 1,000 bytes",
        "transfer: no receipt for 35 s",
        "transfer: 1,234 events wait at the edge for the record",
    ]


def test_what_is_wrong_is_named_alike_as_long_as_it_is() -> None:
    """So that a stream says it once."""
    hearing = Hearing()
    hearing.take(source(alarms=("no receipt for 35 s",)), NOW, live=True)
    (first,) = troubles(hearing)
    hearing.take(source(NOW + timedelta(seconds=10), alarms=("no receipt for 45 s",)), NOW, live=True)
    (second,) = troubles(hearing)
    assert first.text != second.text
    assert (first.subject, first.what) == (second.subject, second.what)


def test_how_every_source_is() -> None:
    hearing = Hearing()
    hearing.take(source(at("11:59:59"), "reading", detail="3 files \x1b[2J wait", backlog=3), NOW, live=True)
    (now,) = hearing.sources(BUS, CLOCK)
    assert (now.condition, now.backlog, now.edge, now.since) == ("reading", 3, "e", None)
    assert now.detail == "3 files ␛[2J wait"
    assert now.told == datetime(2026, 3, 2, 11, 59, 59, tzinfo=UTC)

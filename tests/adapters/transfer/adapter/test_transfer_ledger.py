"""Whatever order things happen in: what is lost lies in a gap, and a gap is stated while it is open."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from transfer_plant import machine, supervisor

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.transfer.adapter.ledger import (
    AnyItem,
    Bookkeeper,
    Connected,
    Disconnected,
    Heard,
    Hole,
    Ledger,
    Told,
)
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected, SourceDisconnected, SourceGap
from broker_bridge.events.station import StationAlarmRaised

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
BOOKS = Bookkeeper(supervisor(), machine(equipment="SN-0042"))


def at(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def told(seconds: float, heard: float | None, *, position: int = 5, lost: int | None = None) -> Told:
    alarm = StationAlarmRaised(code="1", origin=Origin(adapter="transfer"))
    return Told(
        station="place-1",
        generation="2-x",
        position=position,
        at=at(seconds),
        lost=lost,
        statements=(Statement(alarm, at(seconds)),),
        raw=b"<Hermes/>",
        rawname="127.0.0.1:50100",
        heard=None if heard is None else at(heard),
    )


def connected(seconds: float) -> Connected:
    return Connected(
        station="place-1", generation="2-x", position=1, at=at(seconds), peer="PLACER-1", detail="version 1.5"
    )


def disconnected(seconds: float, lost: int | None = None) -> Disconnected:
    return Disconnected(
        station="place-1",
        generation="2-x",
        position=8,
        at=at(seconds),
        lost=lost,
        detail="it closed the connection",
    )


def heard(seconds: float, proven: float) -> Heard:
    return Heard(station="place-1", generation="2-x", position=6, at=at(seconds), heard=at(proven))


def settle(ledger: Ledger, *items: AnyItem, room: bool = True) -> tuple[Ledger, list[Taking]]:
    takings: list[Taking] = []
    for item in items:
        ledger, taken = BOOKS.settle(ledger, item, room=room, revision=3)
        takings += taken
    return ledger, takings


def data(takings: list[Taking]) -> list[object]:
    return [statement.data for taking in takings for statement in taking.statements]


def test_the_first_connection_leaves_no_gap_behind():
    ledger, takings = settle(Ledger(), connected(0))
    (first,) = data(takings)
    assert isinstance(first, SourceConnected)
    assert (first.station, first.equipment, first.peer, first.detail) == (
        "place-1",
        "SN-0042",
        "PLACER-1",
        "version 1.5",
    )
    assert ledger == Ledger(heard=at(0))


def test_a_gap_is_stated_when_it_opens_and_again_when_it_closes():
    ledger, takings = settle(Ledger(heard=at(0)), disconnected(9))
    gone, gap = data(takings)
    assert isinstance(gone, SourceDisconnected)
    assert isinstance(gap, SourceGap)
    assert (gap.cause, gap.start, gap.end) == ("away", at(0), None)
    ledger, takings = settle(ledger, connected(60))
    closed, back = data(takings)
    assert isinstance(closed, SourceGap)
    assert isinstance(back, SourceConnected)
    assert (closed.start, closed.end) == (at(0), at(60))
    assert (takings[0].generation, takings[0].position, takings[0].revision) == ("2-x", 9, 2)
    assert ledger == Ledger(heard=at(60))


def test_a_message_is_taken_as_it_is_with_the_mappings_revision():
    ledger, (taking,) = settle(Ledger(heard=at(0)), told(20, heard=10))
    assert (taking.generation, taking.position, taking.revision) == ("2-x", 5, 3)
    assert taking.rawname == "127.0.0.1:50100"
    assert ledger.heard == at(10)


def test_without_room_messages_leave_one_gap_until_there_is_room_again():
    ledger, takings = settle(
        Ledger(heard=at(0)), told(10, 8, position=5), told(11, 8, position=6), room=False
    )
    (gap,) = data(takings)
    assert isinstance(gap, SourceGap)
    assert (gap.cause, gap.start, gap.end, takings[0].position) == ("outbox_full", at(0), None, 5)
    ledger, takings = settle(ledger, told(30, 20, position=9))
    closed, alarm = data(takings)
    assert isinstance(closed, SourceGap)
    assert isinstance(alarm, StationAlarmRaised)
    assert (closed.end, takings[0].position, takings[0].revision) == (at(30), 5, 2)
    assert ledger == Ledger(heard=at(20))


def test_a_sign_of_life_closes_a_gap_once_there_is_room():
    full, _ = settle(Ledger(heard=at(0)), told(10, 8), room=False)
    still, takings = settle(full, heard(15, 14), room=False)
    assert (still.hole, takings) == (full.hole, [])
    after, takings = settle(still, heard(20, 19))
    assert after == Ledger(heard=at(19))
    assert [type(one) for one in data(takings)] == [SourceGap]


def test_a_gap_for_want_of_room_stays_open_while_the_machine_is_away():
    full, _ = settle(Ledger(heard=at(0)), told(10, 8), room=False)
    away, takings = settle(full, disconnected(20))
    assert [type(one) for one in data(takings)] == [SourceDisconnected]
    # Told before it described itself: nothing is proven by that.
    hasty, takings = settle(away, told(30, None))
    assert hasty.hole == full.hole
    back, takings = settle(hasty, connected(40))
    gap = data(takings)[0]
    assert isinstance(gap, SourceGap)
    assert (gap.cause, gap.start, gap.end) == ("outbox_full", at(0), at(40))
    assert back == Ledger(heard=at(40))


def test_connected_without_room_leaves_a_gap_for_want_of_room_open():
    full, _ = settle(Ledger(heard=at(0)), told(10, 8), room=False)
    back, takings = settle(full, connected(40), room=False)
    assert back.hole == full.hole
    assert [type(one) for one in data(takings)] == [SourceConnected]


def test_messages_that_found_no_place_are_a_gap_of_their_own():
    ledger, takings = settle(Ledger(heard=at(0)), told(10, 9, lost=4))
    gap, _ = data(takings)
    assert isinstance(gap, SourceGap)
    assert (gap.cause, gap.start, gap.end) == ("other", at(0), at(10))
    assert (takings[0].position, takings[0].revision) == (4, 1)
    assert ledger == Ledger(heard=at(9))
    _, takings = settle(Ledger(heard=at(0)), disconnected(10, lost=4))
    assert [type(one) for one in data(takings)] == [SourceGap, SourceDisconnected, SourceGap]


def test_a_gap_that_would_end_before_it_begins_has_no_beginning():
    ledger, _ = settle(Ledger(heard=at(3600)), disconnected(3601))
    _, takings = settle(ledger, connected(0))  # our own clock was set back an hour
    gap = data(takings)[0]
    assert isinstance(gap, SourceGap)
    assert (gap.start, gap.end) == (None, at(0))
    assert "set back" in (gap.detail or "")


@pytest.mark.parametrize(
    "ledger",
    [
        Ledger(),
        Ledger(heard=at(1)),
        Ledger(heard=at(1), hole=Hole("3-x", 7, at(0.5), "outbox_full", "full")),
        Ledger(hole=Hole("3-x", 7, None, "away", "")),
    ],
)
def test_a_ledger_is_read_as_it_was_kept(ledger):
    assert Ledger.load(ledger.dump()) == ledger


def test_nothing_kept_is_an_empty_ledger():
    assert Ledger.load(None) == Ledger()


STEPS = st.sampled_from(
    ["connect", "disconnect", "tell", "tell", "tell without room", "hear", "hear without room", "drop", "die"]
)


@given(steps=st.lists(STEPS, max_size=40), lag=st.floats(0, 3))
def test_every_lost_message_lies_in_a_gap(steps, lag):
    """A model of a connection: what it proves lies `lag` behind; what is dropped or dies with us is lost."""
    ledger, takings = settle(Ledger(), connected(0))
    is_connected, now, position = True, 0.0, 10
    proven, drop = 0.0, None
    lost: list[float] = []

    def run(item: AnyItem, *, room: bool = True) -> None:
        nonlocal ledger, takings, drop
        drop = None
        ledger, taken = BOOKS.settle(ledger, replace(item, position=position), room=room, revision=1)
        takings = takings + taken
        ledger = Ledger.load(ledger.dump())

    for step in steps:
        now, position = now + 10.0, position + 2
        happened = now - lag  # what is said now happened a little before
        if step in ("tell", "tell without room", "drop"):
            if not is_connected:
                lost.append(happened)
            elif step == "drop":
                lost.append(happened)
                drop = position if drop is None else drop
            elif step == "tell":
                run(told(now, proven, lost=drop))
            else:
                lost.append(happened)
                run(told(now, proven, lost=drop), room=False)
        elif step.startswith("hear") and is_connected:
            proven = now - 5.0
            run(replace(heard(now, proven), lost=drop), room=step == "hear")
        elif step == "disconnect" and is_connected:
            run(disconnected(now, lost=drop))
            is_connected = False
        elif step == "die":
            # What was dropped and not yet said is said by the gap that the next start opens.
            drop, is_connected = None, False
            if ledger.hole is None:
                run(disconnected(now))
        elif step == "connect" and not is_connected:
            run(connected(now))
            is_connected, proven = True, now
    now, position = now + 10.0, position + 2
    if is_connected:
        run(told(now, proven, lost=drop))
    else:
        run(connected(now))
    assert ledger.hole is None
    gaps: dict[tuple[str, int], SourceGap] = {}
    for taking in takings:
        for one in data([taking]):
            if isinstance(one, SourceGap):
                gaps[taking.generation, taking.position] = one
    for moment in lost:
        assert any((gap.start or NOON) <= at(moment) <= (gap.end or at(now)) for gap in gaps.values()), (
            moment,
            gaps,
        )
    assert all(gap.end is not None for gap in gaps.values())

"""Whether a machine is there, on a clock that the test turns."""

from datetime import UTC, datetime, timedelta

import pytest
from transfer_plant import supervisor

from broker_bridge.adapters.transfer.adapter.watch import IN_FLIGHT, Watch
from broker_bridge.adapters.transfer.protocol import CheckAlive, CheckAliveType
from broker_bridge.errors import SourceUnavailable

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def at(now: float) -> datetime:
    return NOON + timedelta(seconds=now)


def watching(*, answers: bool = True, **settings: float) -> Watch:
    watch = Watch(supervisor(keep_alive_s=10, answer_s=4, **settings), 100.0)
    watch.described(101.0, at(101), answers=answers)
    watch.heard(101.0)
    return watch


def pong(check: CheckAlive | None) -> CheckAlive:
    assert check is not None
    return CheckAlive(type=CheckAliveType.PONG, id=check.id)


def test_a_machine_has_to_describe_itself_in_time():
    watch = Watch(supervisor(answer_s=4), 100.0)
    assert watch.due_at == 104.0
    assert watch.check(103.9) is None
    with pytest.raises(SourceUnavailable, match="did not describe itself within 4 s"):
        watch.check(104.0)


def test_an_answer_proves_what_was_said_before_the_question():
    watch = watching()
    assert watch.proven == at(101)
    assert watch.due_at == 111.0
    ping = watch.check(111.0)
    assert watch.due_at == 115.0
    assert watch.answered(pong(ping), 113.5, at(113.5))
    assert watch.proven == at(111)


def test_another_sign_of_life_answers_nothing():
    watch = watching()
    assert not watch.answered(CheckAlive(type=CheckAliveType.PONG, id="1"), 105.0, at(105))
    watch.check(111.0)
    assert not watch.answered(CheckAlive(type=CheckAliveType.PONG, id="other"), 112.0, at(112))
    assert not watch.answered(CheckAlive(), 112.0, at(112))
    assert watch.proven == at(101)


def test_a_machine_that_neither_answers_nor_talks_is_gone():
    watch = watching()
    watch.check(111.0)
    assert watch.check(114.9) is None
    with pytest.raises(SourceUnavailable, match="did not answer a sign of life within 4 s"):
        watch.check(115.0)


def test_while_a_machine_talks_its_answer_is_only_late_and_proves_nothing_yet():
    watch = watching()
    watch.check(111.0)
    watch.heard(114.0)
    watch.said(114.0, at(114))
    assert watch.due_at == 118.0
    assert watch.check(117.9) is None
    assert watch.proven == at(101)
    with pytest.raises(SourceUnavailable):
        watch.check(118.0)


def test_one_that_does_not_answer_is_not_asked_and_proves_by_what_it_says():
    watch = watching(answers=False)
    check = watch.check(111.0)
    assert check == CheckAlive()
    watch.said(104.0, at(104))
    assert watch.proven == at(101), "just connected: what is under way cannot be older"
    watch.said(120.0, at(120))
    assert watch.proven == at(120) - IN_FLIGHT
    assert watch.check(130.0) is not None
    assert watch.check(1000.0) is not None


def test_silence_counts_where_the_plant_says_how_much():
    watch = watching(answers=False, silent_s=30)
    watch.heard(120.0)
    for now in (111.0, 121.0, 131.0, 141.0):
        assert watch.check(now) is not None
    with pytest.raises(SourceUnavailable, match="silent for 30 s"):
        watch.check(150.0)


def test_who_was_held_up_himself_gives_the_machine_its_time_anew():
    watch = watching(silent_s=30)
    watch.check(111.0)
    assert watch.check(180.0) is not None, "the answer may lie unread before us"
    assert watch.check(183.9) is None
    with pytest.raises(SourceUnavailable, match="did not answer"):
        watch.check(184.0)
    described = Watch(supervisor(answer_s=4), 100.0)
    assert described.check(180.0) is None
    with pytest.raises(SourceUnavailable, match="did not describe itself"):
        described.check(184.0)

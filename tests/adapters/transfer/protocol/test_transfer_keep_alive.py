"""CheckAlive. IPC-HERMES-9852 clause 3.3, as restated in the project's fact sheet."""

import pytest

from broker_bridge.adapters.transfer.protocol.codes import CheckAliveType
from broker_bridge.adapters.transfer.protocol.keep_alive import KeepAlive, pong_for
from broker_bridge.adapters.transfer.protocol.messages import CheckAlive

PING, PONG = CheckAliveType.PING, CheckAliveType.PONG


@pytest.mark.parametrize(
    ("check", "answer"),
    [
        (CheckAlive(type=PING, id="77"), CheckAlive(type=PONG, id="77")),
        (CheckAlive(type=PING), CheckAlive(type=PONG)),
        (CheckAlive(), None),
        (CheckAlive(id="77"), None),
        (CheckAlive(type=PONG, id="77"), None),
        (CheckAlive(type=7, id="77"), None),
    ],
)
def test_clause_3_3_only_a_ping_is_answered_and_with_its_id(
    check: CheckAlive, answer: CheckAlive | None
) -> None:
    assert pong_for(check) == answer


def test_one_is_due_when_nothing_was_sent_for_a_period() -> None:
    alive = KeepAlive(period=60, now=1000)
    assert alive.due_at == 1060
    assert alive.due(1059.9, peer_answers=False) is None
    assert alive.due(1060, peer_answers=False) == CheckAlive()
    assert alive.due(1061, peer_answers=False) is None
    alive.sent(1100)
    assert alive.due(1159, peer_answers=False) is None
    assert alive.due(1160, peer_answers=False) == CheckAlive()
    assert alive.unanswered_since is None


def test_a_peer_that_answers_is_pinged_and_its_silence_is_seen() -> None:
    alive = KeepAlive(period=60, now=0)
    ping = alive.due(60, peer_answers=True)
    assert ping == CheckAlive(type=PING, id="1")
    assert alive.due(120, peer_answers=True) == ping  # the same one again
    assert alive.unanswered_since == 60
    assert not alive.received(CheckAlive())
    assert not alive.received(CheckAlive(type=PONG, id="9"))
    assert not alive.received(CheckAlive(type=PING, id="1"))
    assert alive.unanswered_since == 60
    assert alive.received(CheckAlive(type=PONG, id="1"))
    assert alive.unanswered_since is None
    assert not alive.received(CheckAlive(type=PONG, id="1"))  # the answer to its repetition
    assert alive.due(180, peer_answers=True) == CheckAlive(type=PING, id="2")


def test_a_period_has_to_be_above_nothing() -> None:
    with pytest.raises(ValueError, match="period is 0 s"):
        KeepAlive(period=0, now=0)

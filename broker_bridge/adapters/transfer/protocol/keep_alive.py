"""CheckAlive: when to send one, which to answer, and how long the peer owes an answer.

Seconds come from the caller's monotonic clock. How long a period is, and after how long a silent
peer counts as gone, the standard was not seen to fix: both are the caller's to configure.
"""

from broker_bridge.adapters.transfer.protocol.codes import CheckAliveType
from broker_bridge.adapters.transfer.protocol.messages import CheckAlive


def pong_for(check: CheckAlive) -> CheckAlive | None:
    """Return the answer a CheckAlive asks for, or None.

    Only a ping is answered, with its own Id; answering a plain one would make two ends talk for ever.
    The answer is owed by a party that announced FeatureCheckAliveResponse, before the handshake too.
    """
    if check.type == CheckAliveType.PING:
        return CheckAlive(type=CheckAliveType.PONG, id=check.id)
    return None


class KeepAlive:
    """One side's keep-alive on one connection.

    period: seconds without a message of ours after which a CheckAlive is due.
    now: when the connection was made.
    """

    def __init__(self, *, period: float, now: float) -> None:
        if period <= 0:
            raise ValueError(f"period is {period} s; it has to be above 0")
        self._period = period
        self._last_sent = now
        self._ping = 1
        self._unanswered_since: float | None = None

    @property
    def due_at(self) -> float:
        """When the next CheckAlive is due if nothing else is sent."""
        return self._last_sent + self._period

    @property
    def unanswered_since(self) -> float | None:
        """When the first ping was sent that is still without an answer; None if none is."""
        return self._unanswered_since

    def sent(self, now: float) -> None:
        """Note that a message of ours, any message, went out."""
        self._last_sent = now

    def due(self, now: float, *, peer_answers: bool) -> CheckAlive | None:
        """Return the CheckAlive to send now, or None while none is due.

        peer_answers: the peer announced FeatureCheckAliveResponse, so it is a ping. A ping without an
        answer is sent again with the same Id.
        """
        if now < self.due_at:
            return None
        self.sent(now)
        if not peer_answers:
            return CheckAlive()
        if self._unanswered_since is None:
            self._unanswered_since = now
        return CheckAlive(type=CheckAliveType.PING, id=str(self._ping))

    def received(self, check: CheckAlive) -> bool:
        """Note a CheckAlive of the peer's. Returns whether it answers our ping."""
        if self._unanswered_since is None or check.type != CheckAliveType.PONG or check.id != str(self._ping):
            return False
        self._unanswered_since = None
        self._ping += 1
        return True

"""Whether a machine is still there, and what that proves: pure, in seconds of a monotonic clock.

The channel carries no numbers and no acknowledgements. Only the answer to a sign of life proves something: it stands
behind everything the machine had said before our question reached it.
"""

from datetime import datetime, timedelta
from typing import Final

from broker_bridge.adapters.transfer.protocol import CheckAlive, KeepAlive
from broker_bridge.config import TransferAdapter
from broker_bridge.errors import SourceUnavailable

IN_FLIGHT: Final = timedelta(seconds=5)
"""How long something a machine said may have been under way, where it does not answer signs of life: common
practice in a plant's network, no source."""

_LATE_S: Final = 1.0
"""Looking this much later than we meant to, we were held up ourselves."""


class Watch:
    """Over one connection, from the moment it was made. `now` is monotonic, `at` the wall clock in UTC."""

    def __init__(self, config: TransferAdapter, now: float) -> None:
        self._config = config
        self._since = now
        self._heard = now
        self._held_up = now
        self._keep_alive: KeepAlive | None = None
        self._answers = False
        self.proven: datetime | None = None
        """Nothing said before this moment is still under way. None: the machine has not described itself yet."""

    def heard(self, now: float) -> None:
        """Something came, whatever it is."""
        self._heard = now

    def described(self, now: float, at: datetime, *, answers: bool) -> None:
        """The machine has described itself. answers: it said that it answers signs of life."""
        self._keep_alive = KeepAlive(period=self._config.keep_alive_s, now=now)
        self._answers = answers
        self._since = now
        self.proven = at

    @property
    def due_at(self) -> float:
        """When `check` has something to do next."""
        dues = []
        if self._keep_alive is None:
            dues.append(self._waiting_since(self._since) + self._config.answer_s)
        else:
            dues.append(self._keep_alive.due_at)
            if self._keep_alive.unanswered_since is not None:
                asked = self._keep_alive.unanswered_since
                dues.append(self._waiting_since(max(asked, self._heard)) + self._config.answer_s)
        if self._config.silent_s is not None:
            dues.append(self._waiting_since(self._heard) + self._config.silent_s)
        return min(dues)

    def check(self, now: float) -> CheckAlive | None:
        """The sign of life to send now, if any. Raises SourceUnavailable when the machine counts as gone."""
        limit, silent = self._config.answer_s, self._config.silent_s
        if now > self.due_at + _LATE_S:
            self._held_up = now
        if silent is not None and now >= self._waiting_since(self._heard) + silent:
            raise SourceUnavailable(f"it has been silent for {silent:g} s")
        if self._keep_alive is None:
            if now >= self._waiting_since(self._since) + limit:
                raise SourceUnavailable(f"it did not describe itself within {limit:g} s")
            return None
        # While it says other things the answer is only late: it stands behind them.
        asked = self._keep_alive.unanswered_since
        if asked is not None and now >= self._waiting_since(max(asked, self._heard)) + limit:
            raise SourceUnavailable(f"it did not answer a sign of life within {limit:g} s")
        return self._keep_alive.due(now, peer_answers=self._answers)

    def answered(self, check: CheckAlive, now: float, at: datetime) -> bool:
        """Whether a sign of life of the machine's answers ours; if so it proves what was said before we asked."""
        asked = self._keep_alive.unanswered_since if self._keep_alive is not None else None
        if self._keep_alive is None or asked is None or not self._keep_alive.received(check):
            return False
        self.proven = at - timedelta(seconds=now - asked)
        return True

    def said(self, now: float, at: datetime) -> None:
        """A message came. Where no question is answered it proves that little of before is still under way."""
        if self.proven is None or self._answers:
            return
        if now - self._since > IN_FLIGHT.total_seconds():
            self.proven = at - IN_FLIGHT

    def _waiting_since(self, moment: float) -> float:
        # What came while we were held up has not been read yet: giving up a machine that is there loses boards.
        return max(moment, self._held_up)

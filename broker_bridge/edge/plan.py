"""Pure: what of one source is to be sent next.

Three marks move along the source's numbers: published, acknowledged by the broker, receipted by the record.
A broker's acknowledgement proves nothing, so what stays without receipt is sent again: the holes below what the record
has, once they had time to arrive, and everything unreceipted when the record does not get on. What lies above all that
the record has is no hole: it may wait in the broker's queue, and sent again it would make the queue longer. For the same
reason only so much is sent ahead of the receipts; the rest waits in the outbox.

Times are seconds of a monotonic clock, given by the caller.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

GRACE_S: Final = 2.0
"""What was acknowledged less than this ago may still be on its way from broker to record."""
STALL_S: Final = 10.0
"""Acknowledged and no receipt for so long: send again."""
STALL_LONGEST_S: Final = 160.0
"""A record from which nothing at all is heard is sent the same again and again: less and less often, up to this."""
AHEAD: Final = 10_000
"""Events out without a receipt at most: a broker's queue may lie in memory, be cut, or never be emptied."""
ROOM: Final = 500
"""So much room, or for all there is, before more is sent."""
ALARM_S: Final = 30.0
"""Acknowledged and no receipt for so long: tell a person."""


class Range(NamedTuple):
    """Sequence numbers, both ends included."""

    first: int
    last: int


class Plan:
    """The marks of one source and what they ask for."""

    def __init__(self, receipted: int, now: float) -> None:
        self.receipted = receipted
        self.published = receipted
        self.acknowledged = receipted
        self._again: deque[Range] = deque()
        self._settling: deque[tuple[float, int]] = deque()
        self._settled = receipted
        self._progress = now
        self._reached = receipted
        self._stall = STALL_S
        self._quiet_until = now

    def next_range(self, last: int, now: float) -> tuple[Range, bool] | None:
        """What to send now, and whether it is sent again; None when there is nothing. `last` is the newest number."""
        self._settle(now)
        if self._again:
            return self._again[0], True
        room = self.receipted + AHEAD - self.published
        if self.published < last and room >= min(ROOM, last - self.published):
            return Range(self.published + 1, min(last, self.published + room)), False
        if self._unreceipted() and now - self._progress > STALL_S and now >= self._quiet_until:
            self._again.append(Range(self.receipted + 1, self._settled))
            self._quiet_until = now + self._stall
            self._stall = min(2 * self._stall, STALL_LONGEST_S)
            return self._again[0], True
        return None

    def sent(self, upto: int, again: bool) -> None:
        """Everything of the range given by `next_range` up to this number was handed to the broker."""
        if not again:
            self.published = max(self.published, upto)
            return
        first, last = self._again.popleft()
        if upto < last:
            self._again.appendleft(Range(max(first, upto + 1), last))

    def acknowledge(self, upto: int, now: float) -> None:
        """The broker acknowledged everything published up to this number."""
        if upto > self.acknowledged:
            if not self._unreceipted():
                self._progress = now
            self.acknowledged = upto
            self._settling.append((now, upto))

    def disconnect(self) -> None:
        """The connection was lost: what was not acknowledged has to be published again."""
        self.published = self.acknowledged

    def receive(
        self, contiguous: int, missing: Sequence[tuple[int, int]], now: float, reached: int | None = None
    ) -> None:
        """A live receipt: the record has 1 to `contiguous` and says which ranges above it it misses.

        `reached`: the highest number it has; None where it does not tell: then all that is missing counts as a hole.
        """
        if contiguous != self.receipted or (reached or 0) > self._reached:
            self._progress = now
        self._reached = max(self._reached, reached or 0)
        self._stall = STALL_S
        self._quiet_until = min(self._quiet_until, now + STALL_S)
        self.receipted = contiguous
        self.acknowledged = max(self.acknowledged, contiguous)
        self.published = max(self.published, contiguous)
        self._settle(now)
        self._settled = max(self._settled, contiguous)
        if now < self._quiet_until or self._again:
            return
        for first, last in missing:
            if reached is not None and first > reached:
                break
            settled = Range(max(first, contiguous + 1), min(last, self._settled))
            if settled.first <= settled.last:
                self._again.append(settled)
        if self._again:
            self._quiet_until = now + GRACE_S

    def restore(self, contiguous: int, now: float) -> None:
        """The record was restored from a backup and has only this much: send everything above it again."""
        self.receipted = self.published = self.acknowledged = self._settled = contiguous
        self._reached = contiguous
        self._settling.clear()
        self._again.clear()
        self._progress = now

    def overdue(self, now: float) -> float | None:
        """Seconds without receipt for what the broker acknowledged, when that is worth an alarm."""
        waited = now - self._progress
        return waited if self._unreceipted() and waited > ALARM_S else None

    def _unreceipted(self) -> bool:
        return self.acknowledged > self.receipted

    def _settle(self, now: float) -> None:
        while self._settling and self._settling[0][0] <= now - GRACE_S:
            self._settled = max(self._settled, self._settling.popleft()[1])

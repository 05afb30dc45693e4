"""Which events came before, by source and id: the same event comes again from the record, a resend, a redelivery."""

from collections import deque
from hashlib import blake2b
from typing import Final

LIMIT: Final = 200_000
"""Events remembered, about 20 MB: half an hour of a hundred events a second."""


class Seen:
    """The last `limit` events met."""

    def __init__(self, limit: int = LIMIT) -> None:
        self._limit = limit
        self._marks: set[bytes] = set()
        self._order: deque[bytes] = deque()

    def new(self, source: str, event_id: str) -> bool:
        """Whether this event is met for the first time; from now on it is known."""
        # A space is in neither a source nor an id.
        mark = blake2b(f"{source} {event_id}".encode(), digest_size=12).digest()
        if mark in self._marks:
            return False
        if len(self._order) >= self._limit:
            self._marks.discard(self._order.popleft())
        self._marks.add(mark)
        self._order.append(mark)
        return True

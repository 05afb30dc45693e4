"""The newest few statements of one kind, whatever order they came in and however often.

Keeping the k greatest of a set does not depend on the order in which its members are put in, nor on how often:
that is what makes the whole picture indifferent to disorder and doubling, with bounded memory.
"""

from bisect import bisect_left
from collections.abc import Iterator

from broker_bridge.live.told import Told


class Newest:
    """At most `limit` statements, in the order of `Told.key`: event time first."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._keys: list[tuple[object, ...]] = []
        self._told: list[Told] = []

    def __len__(self) -> int:
        return len(self._told)

    def __iter__(self) -> Iterator[Told]:
        """Oldest first."""
        return iter(self._told)

    def __reversed__(self) -> Iterator[Told]:
        """Newest first."""
        return iter(self._told[::-1])

    def add(self, told: Told) -> bool:
        """Put one in; False when it is there already or older than all that are kept."""
        key = told.key
        place = bisect_left(self._keys, key)
        if place < len(self._keys) and self._keys[place] == key:
            return False
        if len(self._keys) >= self._limit:
            if place == 0:
                return False
            del self._keys[0], self._told[0]
            place -= 1
        self._keys.insert(place, key)
        self._told.insert(place, told)
        return True

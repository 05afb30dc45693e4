"""Which statements still hold while watching.

The record waits until a revision is complete; here half a correction may be seen for a moment.
"""

from collections.abc import Iterable
from typing import Final

from broker_bridge.live.told import Told
from broker_bridge.trace.revisions import RawRecord

LIMIT: Final = 50_000
"""Raw records whose revision is remembered, about 10 MB."""


class Holds:
    """Of a raw record only the statements of the highest revision that was met hold."""

    def __init__(self, limit: int = LIMIT) -> None:
        self._limit = limit
        self._highest: dict[RawRecord, int] = {}
        self._revisions: dict[str, int] = {}
        """The revision of each source's first statement."""
        self._several = False
        """Some source was met with another one: of its records may be several revisions, remembered or not."""

    def __call__(self, told: Told) -> bool:
        """Whether no higher revision is known."""
        return told.revision >= self._highest.get(told.record, told.revision)

    def among(self, statements: Iterable[Told]) -> list[Told]:
        """Those that hold, in the same order."""
        return [told for told in statements if self(told)] if self._several else list(statements)

    def add(self, told: Told) -> bool:
        """Note a statement's revision; True when it supersedes a lower one."""
        self._several = (
            self._several or self._revisions.setdefault(told.source, told.revision) != told.revision
        )
        known = self._highest.get(told.record)
        if known is None:
            if len(self._highest) >= self._limit:
                del self._highest[next(iter(self._highest))]
            self._highest[told.record] = told.revision
            return False
        if told.revision > known:
            self._highest[told.record] = told.revision
            return True
        return False

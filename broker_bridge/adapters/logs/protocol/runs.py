"""Long runs of refusals -> one refusal: a binary file should give a few rejections, not one for each line."""

from collections.abc import Iterable, Iterator
from typing import Final

from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused
from broker_bridge.adapters.logs.protocol.region import Region

SINGLY: Final = 20
"""Refusals of a run that are told one by one; they show what is wrong better than a count does."""

LONGEST: Final = 2**20
"""Bytes after which a run is told and goes on as another: a log of nothing else must be told while it grows."""


class Runs:
    """Joins refusals of one kind that touch each other, from the 21st on. Feed it item by item."""

    def __init__(self) -> None:
        self._run = 0
        self._last: Refused | None = None
        self._region: Region | None = None
        self._more = 0

    @property
    def idle(self) -> bool:
        """Whether the last item was no refusal."""
        return self._last is None

    def add(self, item: NativeRecord | Refused) -> list[NativeRecord | Refused]:
        """What can be given with this item; the item itself, or nothing while a run goes on."""
        last, given = self._last, []
        alike = (
            isinstance(item, Refused)
            and last is not None
            and (item.code, item.kind, item.position) == (last.code, last.kind, last.end)
            and item.size == len(item.raw)
        )
        if not alike or (self._region is not None and self._region.size >= LONGEST):
            given = self.end()
        self._run = self._run + 1 if alike else 1
        self._last = item if isinstance(item, Refused) else None
        if isinstance(item, Refused) and self._run > SINGLY:
            if self._region is None:
                self._region = Region(
                    item.position, item.line, code=item.code, reason=item.reason, kind=item.kind
                )
            self._region.add(item.raw)
            self._more += 1
        else:
            given.append(item)
        return given

    def end(self) -> list[NativeRecord | Refused]:
        """The run that is open, if any."""
        region, more = self._region, self._more
        self._region, self._more = None, 0
        if region is None:
            return []
        region.reason = f"{more} records in a row are refused; the first: {region.reason}"
        return [region.refusal()]


def joined(records: Iterable[NativeRecord | Refused]) -> Iterator[NativeRecord | Refused]:
    """The same records; refusals of one kind that touch each other are joined from the 21st on."""
    runs = Runs()
    for item in records:
        if runs.idle and isinstance(item, NativeRecord):
            yield item  # nothing to join: the usual case
        else:
            yield from runs.add(item)
    yield from runs.end()

"""Long runs of refusals -> one refusal: a binary file should give a few rejections, not one for each line."""

from collections.abc import Iterable, Iterator
from typing import Final

from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused
from broker_bridge.adapters.logs.protocol.region import Region

SINGLY: Final = 20
"""Refusals of a run that are told one by one; they show what is wrong better than a count does."""


def joined(records: Iterable[NativeRecord | Refused]) -> Iterator[NativeRecord | Refused]:
    """The same records; refusals of one kind that touch each other are joined from the 21st on."""
    run, last, region, more = 0, None, None, 0
    for item in records:
        alike = (
            isinstance(item, Refused)
            and last is not None
            and (item.code, item.kind, item.position) == (last.code, last.kind, last.end)
            and item.size == len(item.raw)
        )
        if region is not None and not alike:
            yield _told(region, more)
            region, more = None, 0
        run = run + 1 if alike else 1
        last = item if isinstance(item, Refused) else None
        if isinstance(item, Refused) and run > SINGLY:
            if region is None:
                region = Region(item.position, item.line, code=item.code, reason=item.reason, kind=item.kind)
            region.add(item.raw)
            more += 1
        else:
            yield item
    if region is not None:
        yield _told(region, more)


def _told(region: Region, lines: int) -> Refused:
    region.reason = f"{lines} records in a row are refused; the first: {region.reason}"
    return region.refusal()

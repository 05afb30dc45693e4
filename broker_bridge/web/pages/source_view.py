"""What the page of sources shows. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.live.clock import Clock
from broker_bridge.live.hearing import BEHIND, WELL, Trouble, silence_words
from broker_bridge.queries.quarantine import Kept
from broker_bridge.web.sources import Source

LISTED: Final = 200
"""Rejected records that a page lists."""


class Held(NamedTuple):
    """What an outbox on this machine holds of a source."""

    last: int
    receipted: int
    backlog: int


class Adapter(NamedTuple):
    """An adapter of the configuration."""

    source: str
    kind: str
    place: str
    """What it reads: a folder, machines."""
    mapping: str
    """Name of the mapping file; empty where it has none."""


class SourceRow(NamedTuple):
    """A source."""

    name: str
    source: str
    condition: str
    shape: str
    """works, waits, hand or unknown"""
    detail: str
    reads: str
    mapping: str
    receipts: str
    backlog: str
    missing: int
    heard: datetime | None
    age: str
    rejected: int


class SourcesView(NamedTuple):
    """All sources."""

    troubles: tuple[str, ...]
    """What a person should know, in the words of `watch`."""
    rows: tuple[SourceRow, ...]
    rejected: tuple[Kept, ...]
    more: bool
    """There are further ones that are not listed."""
    mappings: tuple[Adapter, ...]
    """Adapters whose mapping can be tried."""
    looked: datetime


def sources_view(
    found: Sequence[Source],
    adapters: Sequence[Adapter],
    held: Mapping[str, Held],
    rejected: Iterable[Kept],
    clock: Clock,
    since: datetime | None,
    troubles: Iterable[Trouble] = (),
) -> SourcesView:
    """Configured ones first, then what else was heard of. `since`: how far back it is known who was heard."""
    listed: list[Kept] = []
    more = False
    counts: dict[str, int] = {}
    for item in rejected:
        counts[item.source] = counts.get(item.source, 0) + 1
        if len(listed) < LISTED:
            listed.append(item)
        else:
            more = True
    told = {one.source: one for one in found}
    configured = {one.source: one for one in adapters}
    names = [*configured, *(name for name in told if name not in configured)]
    one_line = len({name.rpartition("/")[0] for name in names}) == 1
    rows = tuple(
        _row(
            one_line,
            name,
            told.get(name),
            configured.get(name),
            held.get(name),
            counts.get(name, 0),
            clock,
            since,
        )
        for name in names
    )
    return SourcesView(
        tuple(trouble.text for trouble in troubles), rows, tuple(listed), more,
        tuple(one for one in adapters if one.mapping), clock.now,
    )  # fmt: skip


def _row(
    one_line: bool,
    name: str,
    said: Source | None,
    adapter: Adapter | None,
    held: Held | None,
    rejected: int,
    clock: Clock,
    since: datetime | None,
) -> SourceRow:
    condition = (said.condition if said else None) or (
        "not said" if said is not None and (said.heard is not None or said.numbered) else "not heard"
    )
    backlog = held.backlog if held else said.backlog if said else None
    missing = said.missing if said else 0
    heard = said.heard if said else None
    well = said is not None and said.condition is not None and said.condition in WELL
    silent = said is not None and said.silent
    detail = [said.detail or ""] if said else []
    if said is not None and silent and said.last_word is not None:
        detail.insert(0, silence_words(condition, said.last_word, clock))
        condition, well = "silent", False
    behind = missing > 0 or rejected > 0 or (backlog or 0) >= BEHIND
    return SourceRow(
        name=name.rpartition("/")[2] if one_line else "/".join(name.rsplit("/", 2)[1:]),
        source=name,
        condition=condition,
        shape="hand" if behind or (said is not None and said.condition is not None and not well)
        else "works" if well else "unknown",
        detail="; ".join(filter(None, detail)),
        reads=f"{adapter.kind}: {adapter.place}" if adapter else "",
        mapping=adapter.mapping if adapter else "",
        receipts=f"{held.receipted:,} of {held.last:,}" if held else "",
        backlog="" if backlog is None else f"{backlog:,}",
        missing=missing,
        heard=heard,
        age=clock.age(heard) if heard
        else f"over {clock.age(since)}" if since and said is not None and said.numbered
        else "not yet",
        rejected=rejected,
    )  # fmt: skip

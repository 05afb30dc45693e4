"""What could not be used: raw records that no mapping understood, and payloads that were no events."""

import base64
from collections.abc import Iterator
from typing import Final, NamedTuple

from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.queries.record import Record
from broker_bridge.store.base import RefusedRow
from broker_bridge.trace.revisions import holding_revision, set_size

_STEP: Final = 500


class Kept(NamedTuple):
    """One thing in quarantine."""

    key: str
    """r and the event's number for a raw record, p and its own number for a payload."""
    source: str
    """Who sent it; the topic where a payload did not tell."""
    station: str | None
    time: str
    """When it was rejected or last seen, RFC 3339, UTC."""
    code: str
    reason: str
    place: str | None
    value: str | None
    generation: str | None
    position: int | None
    revision: int | None
    rawname: str | None
    """The file or connection it came from."""
    size: int | None
    archived: str | None
    """Hash under which the edge's raw archive keeps the whole file."""
    offset: int | None
    """Where in that file it begins."""
    line: int | None
    raw: bytes | None
    """The bytes, where the record itself holds them."""
    times: int
    """How often it came."""
    mended: bool
    """True: a later revision of the mapping, or of the program, made events of it."""


def kept(record: Record, *, mended: bool = False) -> Iterator[Kept]:
    """Everything in quarantine, raw records first, each in the order of the record; with `mended` also the past."""
    after = 0
    while numbers := record.index.rejected(after, _STEP):
        for fact in record.reader.facts(numbers):
            item = _rejected(record, fact)
            if mended or not item.mended:
                yield item
        after = numbers[-1]
    after = 0
    while rows := record.reader.refusals(after, _STEP, resolved=mended):
        yield from map(_refused, rows)
        after = rows[-1].number


def one(record: Record, key: str) -> Kept:
    """One thing by its key. Raises NotFound."""
    kind, digits = key[:1], key[1:]
    if kind in ("r", "p") and digits.isascii() and digits.isdigit():
        number = int(digits)
        if kind == "r":
            (fact,) = record.reader.facts([number])
            if fact.type == "source.rejected":
                return _rejected(record, fact)
        else:
            rows = record.reader.refusals(number - 1, 1, resolved=True)
            if rows and rows[0].number == number:
                return _refused(rows[0])
    raise NotFound(
        f"{key!r} is nothing in quarantine: keys look like r17 or p3, `quarantine list` shows them"
    )


def _rejected(record: Record, fact: Fact) -> Kept:
    data, raw = fact.data, fact.data["origin"].get("raw") or {}
    inline = raw.get("inline")
    return Kept(
        key=f"r{fact.number}",
        source=fact.source,
        station=data.get("station"),
        time=fact.time,
        code=data.get("code", "unmapped"),
        reason=data["reason"],
        place=data.get("place"),
        value=data.get("value"),
        generation=fact.generation,
        position=fact.position,
        revision=fact.revision,
        rawname=_rawname(record, fact.number),
        size=raw.get("size"),
        archived=raw.get("archived"),
        offset=raw.get("offset"),
        line=raw.get("line"),
        raw=base64.b64decode(inline) if inline is not None else None,
        times=1,
        mended=_mended(record, fact),
    )


def _rawname(record: Record, number: int) -> str | None:
    import orjson  # readers that need no body do not wait for it

    name: str | None = orjson.loads(record.reader.body(number)).get("rawname")
    return name


def _mended(record: Record, fact: Fact) -> bool:
    siblings = record.reader.siblings([fact.number])
    revisions = {sibling.revision: sibling.number for sibling in siblings}
    if len(revisions) == 1:
        return False
    size_of = {other.revision: set_size(other) for other in record.reader.facts(sorted(revisions.values()))}
    return holding_revision(((s.revision, s.ordinal) for s in siblings), size_of) != fact.revision


def _refused(row: RefusedRow) -> Kept:
    refusal = row.refusal
    return Kept(
        key=f"p{row.number}",
        source=refusal.source or refusal.topic,
        station=None,
        time=_instant(row.last_seen),
        code=refusal.code,
        reason=refusal.reason,
        place=None,
        value=None,
        generation=None,
        position=None,
        revision=None,
        rawname=refusal.topic,
        size=len(refusal.body),
        archived=None,
        offset=None,
        line=None,
        raw=refusal.body,
        times=row.times,
        mended=row.resolved is not None,
    )


def _instant(microseconds: int) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(microseconds / 1_000_000, UTC).isoformat().replace("+00:00", "Z")

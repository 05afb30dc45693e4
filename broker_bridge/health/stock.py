"""Outbox and record: what waits, what is missing, what was refused."""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Final

from broker_bridge.bus.topics import site_of
from broker_bridge.config import Settings
from broker_bridge.edge.belonging import stranger
from broker_bridge.edge.survey import holdings, in_use
from broker_bridge.errors import BridgeError, NotFound, StoreError, StoreVersionError
from broker_bridge.health.finding import Finding, ago
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.quarantine import kept
from broker_bridge.queries.record import Record
from broker_bridge.store.base import Progress
from broker_bridge.store.sqlite_reader import SqliteReader

_LATE_S: Final = 60.0
_LOOK_S: Final = 2.0
"""Seconds between two looks: receipts of a source come ten a second while events flow."""
_NEAR_CEILING: Final = 0.8
_MANY: Final = 1000
"""Findings are counted up to here, then "or more": counting on would read the whole record."""


def outbox(settings: Settings, pause: Callable[[float], None] = time.sleep) -> Iterator[Finding]:
    """What the edge holds, whose it is, and whether it runs. `pause` lies between two looks at what is late."""
    path = settings.edge.outbox
    if "edge" not in settings.roles:
        return
    try:
        held = holdings(path)
    except NotFound:
        yield Finding("outbox", "notice", f"{path} is not there yet", "it is made when the role edge starts")
        return
    except StoreError as error:
        yield Finding(
            "outbox", "problem", str(error), "do not delete it: it holds events that no record has yet"
        )
        return
    if (why := stranger(path, (holding.source for holding in held), settings.plant.site)) is not None:
        yield Finding("outbox", "problem", why, "the role edge does not start until then")
    now_ms = datetime.now(UTC).timestamp() * 1000
    total = sum(holding.backlog_bytes for holding in held)
    ceiling = settings.edge.ceiling_mb * 1_000_000
    running = "its edge runs" if in_use(path) else "no edge runs on it"
    text = f"{path}: {total / 1e6:.1f} of {settings.edge.ceiling_mb:,.0f} MB wait for the record; {running}"
    if total > _NEAR_CEILING * ceiling:
        yield Finding(
            "outbox",
            "problem",
            text,
            "start broker and recorder; at the ceiling files wait, live events are lost",
        )
    else:
        yield Finding("outbox", "fine", text)
    waits = {
        holding.source: 0.0 if holding.oldest_ms is None else (now_ms - holding.oldest_ms) / 1000
        for holding in held
    }
    later: dict[str, int] = {}
    if max(waits.values(), default=0.0) > _LATE_S and in_use(path):
        pause(_LOOK_S)
        later = {holding.source: holding.receipted for holding in holdings(path)}
    for holding in held:
        waited = waits[holding.source]
        came = later.get(holding.source, holding.receipted) - holding.receipted
        text = f"{holding.last:,} events taken in, {holding.backlog:,} not in the record yet"
        if waited > _LATE_S and came > 0:
            yield Finding(holding.source, "notice", f"{text}; {_flowing(came)}")
        elif waited > _LATE_S:
            yield Finding(
                holding.source,
                "problem",
                f"{text}, the oldest since {ago(waited)}",
                "look at broker and recorder",
            )
        else:
            yield Finding(holding.source, "fine", text)
        if holding.requests:
            yield Finding(
                holding.source,
                "notice",
                f"{holding.requests} requests wait for the edge",
                "start the role edge",
            )


def _flowing(came: int) -> str:
    return f"{came:,} came into the record within {_LOOK_S:.0f} s, so it catches up"


def record(settings: Settings, pause: Callable[[float], None] = time.sleep) -> Iterator[Finding]:
    """What the record has, misses and refused. `pause` lies between two looks at what is missing."""
    path = settings.record.path
    try:
        reader = SqliteReader(path)
    except NotFound:
        yield Finding("record", "notice", f"{path} is not there", "it is made when the role recorder starts")
        return
    except StoreVersionError as error:
        yield Finding(
            "record",
            "problem",
            str(error),
            "upgrade the program if a newer one has written it, else correct [record] path; do not delete it",
        )
        return
    except StoreError as error:
        yield Finding(
            "record", "damaged", str(error), "do not delete it; restore the last backup beside it and compare"
        )
        return
    try:
        yield from _record(reader, path.name, settings.plant.site, running=in_use(path), pause=pause)
    finally:
        reader.close()


def _record(
    reader: SqliteReader, name: str, site: str, *, running: bool, pause: Callable[[float], None]
) -> Iterator[Finding]:
    head = reader.head()
    text = f"{name}: {head.number:,} events, commit {head.commit}; {'its recorder runs' if running else 'no recorder runs'}"
    yield Finding("record", "fine", text)
    known = reader.progress()
    if others := sorted({site_of(one.source) for one in known} - {site}):
        yield Finding(
            "record",
            "notice",
            f"{name} holds events of the plant {', '.join(map(repr, others))} too, and plant.site is {site!r}",
            "if it is that plant's record, name this plant's own in [record]; of that plant nothing more is recorded here",
        )
    yield from _missing(known, reader.progress, running=running, pause=pause)
    counts = (
        ("payloads on the bus were no events", len(reader.refusals(limit=_MANY))),
        ("events came twice with different content", len(reader.conflicts(limit=_MANY))),
        ("numbers were given twice: two edges share a source name", len(reader.reused())),
    )
    for what, count in counts:
        if count:
            more = " or more" if count == _MANY else ""
            yield Finding(
                "record", "problem", f"{count:,}{more} {what}", "broker-bridge quarantine list shows them"
            )


def _missing(
    known: Sequence[Progress],
    look: Callable[[], Sequence[Progress]],
    *,
    running: bool,
    pause: Callable[[float], None],
) -> Iterator[Finding]:
    """What was given and is not in the record: on its way, or in need of a hand. A second look tells them apart."""
    lacking = [one for one in known if not one.closed and one.missing()]
    if lacking and running:
        pause(_LOOK_S)
        later = {(one.source, one.epoch): one for one in look()}
    else:
        later = {}
    for before in lacking:
        now = later.get((before.source, before.epoch), before)
        missing = now.missing()
        if not missing:
            continue
        count = sum(last - first + 1 for first, last in missing)
        text = f"{count:,} events that the source has given are not in the record (numbers {missing[0][0]} to {missing[-1][1]})"
        if now.contiguous > before.contiguous:
            yield Finding(before.source, "notice", f"{text}; {_flowing(now.contiguous - before.contiguous)}")
        elif running:
            yield Finding(
                before.source, "problem", text, "they come by themselves while the edge runs; if not, look at its disk"
            )  # fmt: skip
        else:
            yield Finding(before.source, "problem", text, "start the role recorder; they come by themselves")


def index(settings: Settings) -> Iterator[Finding]:
    """How far the index is behind the record, and what is in quarantine."""
    path = settings.record.path
    if not path.exists():
        return
    try:
        reader = SqliteReader(path)
    except BridgeError:
        return  # told by `record`
    try:
        yield from _index(reader, index_path(path))
    finally:
        reader.close()


def _index(reader: SqliteReader, path: Path) -> Iterator[Finding]:
    try:
        held = Index(path)
    except BridgeError as error:
        yield Finding(
            "index", "notice", str(error), "it is made by the role projector, or by the next question"
        )
        return
    record = Record(reader, held)
    try:
        behind = reader.head().number - held.cursor().number
        text = f"{path.name} holds the record up to commit {held.cursor().commit:,}"
        if behind > _MANY:
            yield Finding("index", "problem", f"{text}, {behind:,} events behind", "start the role projector")
        else:
            yield Finding("index", "fine", text)
        rejected = Counter(item.source for item in islice(kept(record), _MANY) if item.generation is not None)
        for source, count in sorted(rejected.items()):
            yield Finding(
                source,
                "problem",
                f"{count:,} raw records are in quarantine",
                "broker-bridge quarantine list shows them; mend the mapping, raise its revision, quarantine retry",
            )
    finally:
        held.close()

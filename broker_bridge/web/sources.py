"""How complete each source of a record is, and what it said of itself last."""

import contextlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple

from broker_bridge.bus.wire import SourceState, parse_source_state
from broker_bridge.errors import WireError
from broker_bridge.live.hearing import SILENT, Hearing, last_word
from broker_bridge.queries.record import Record

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Source(NamedTuple):
    """One source."""

    source: str
    heard: datetime | None
    """When its newest event was recorded, by the recorder's clock, as far back as the service looks."""
    numbered: bool
    """The record holds numbered events of it."""
    missing: int
    """Numbered events that the record does not hold yet."""
    condition: str | None
    """What it said of itself last; None: nothing that the record kept."""
    detail: str | None
    backlog: int | None
    """Events held at its edge then."""
    told: datetime | None
    """When it said so, by its edge's clock."""
    last_word: datetime | None
    """When that was heard, by the recorder's clock."""
    silent: bool
    """It has said nothing for longer than it would while its edge, the broker and the recorder run: the condition is what
    it was then."""


class LastWord(NamedTuple):
    """What a source said of itself last, and when that was heard."""

    state: SourceState
    heard: datetime


def last_words(states: Mapping[str, tuple[bytes, datetime]]) -> list[LastWord]:
    """Of states and when each was received. One that cannot be read, a newer program's perhaps, is left out."""
    found: list[LastWord] = []
    for body, received in states.values():
        with contextlib.suppress(WireError):
            state = parse_source_state(body)
            found.append(LastWord(state, last_word(state.issued, received)))
    return found


def hear(hearing: Hearing, words: list[LastWord]) -> None:
    """Take them as what is heard: the record's word stands in for a connection (`kept_by_the_record`)."""
    for state, heard in words:
        hearing.take(state, heard, live=True)


def states_of(record: Record) -> dict[str, tuple[bytes, datetime]]:
    """What every source said of itself last, and when that was received, by the recorder's clock."""
    received = record.reader.states_received()
    return {
        name: (body, _EPOCH + timedelta(microseconds=received[name]))
        for name, body in record.reader.states().items()
        if name in received
    }


def sources(record: Record, heard: Mapping[str, datetime], now: datetime) -> list[Source]:
    """By name. `heard`: when the newest event of each was recorded."""
    kept = states_of(record)
    states: dict[str, Any] = {name: json.loads(body) for name, (body, _) in kept.items()}
    words = {word.state.source: word.heard for word in last_words(kept)}
    missing: dict[str, int] = {}
    numbered: set[str] = set()
    for progress in record.reader.progress():
        if progress.contiguous or progress.above:
            numbered.add(progress.source)
        count = sum(last - first + 1 for first, last in progress.missing())
        missing[progress.source] = missing.get(progress.source, 0) + count
    found: list[Source] = []
    for name in sorted(missing.keys() | states.keys() | heard.keys()):
        said = states.get(name, {})
        told = said.get("issued")
        found.append(
            Source(
                source=name,
                heard=heard.get(name),
                numbered=name in numbered,
                missing=missing.get(name, 0),
                condition=said.get("condition"),
                detail=said.get("detail") or None,
                backlog=said.get("backlog"),
                told=datetime.fromisoformat(told) if told else None,
                last_word=words.get(name),
                silent=name in words and now - words[name] > SILENT,
            )
        )
    return found

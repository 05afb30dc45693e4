"""The events a statement stands on, in full: what was said, by whom, when it came in, and where its raw bytes are."""

from collections.abc import Iterable
from datetime import UTC, datetime

from broker_bridge.errors import NotFound, UsageError
from broker_bridge.queries.record import Record
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.history import History
from broker_bridge.trace.references import Proof, Why, find, referred


def why(record: Record, history: History, reference: str) -> Why:
    """What a statement of a history stands on. Raises UsageError for a reference that is none of it."""
    one = find(history, reference)
    if one is None:
        there = [each.reference for each in referred(history)]
        raise UsageError(
            f"{reference!r} is no statement of this history as of commit {history.as_of.commit}; it has"
            f" {', '.join(_ranges(there)) or 'none'}"
        )
    events = tuple(proofs(record, one.statement.evidence))
    return Why(one.reference, one.what, one.statement, events, history.as_of)


def _ranges(references: list[str]) -> list[str]:
    last: dict[str, int] = {}
    for reference in references:
        last[reference[0]] = int(reference[1:])
    return [f"{letter}1" if count == 1 else f"{letter}1 to {letter}{count}" for letter, count in last.items()]


def proofs(record: Record, evidence: Iterable[Evidence]) -> list[Proof]:
    """The events, in order of the record."""
    numbers = sorted(_number(record, event) for event in evidence)
    return [_proof(record, number) for number in dict.fromkeys(numbers)]


def _number(record: Record, event: Evidence) -> int:
    try:
        return record.reader.number_of(event.source, event.id)
    except NotFound:
        raise NotFound(
            f"event {event.id} of {event.source} is not in the record: make the index anew"
        ) from None


def _proof(record: Record, number: int) -> Proof:
    import json

    (fact,) = record.reader.facts([number])
    envelope = json.loads(record.reader.body(number))
    origin = fact.data["origin"]
    raw = origin.get("raw") or {}
    commits = record.reader.commits(fact.commit - 1, 1)
    return Proof(
        source=fact.source,
        id=fact.id,
        type=fact.type,
        station=fact.data.get("station"),
        time=fact.time,
        time_text=origin.get("time_text"),
        time_means=origin.get("time_means"),
        zone=origin.get("zone"),
        zone_basis=origin.get("zone_basis"),
        flags=tuple(origin.get("flags") or ()),
        recorded=envelope["recordedtime"],
        number=number,
        commit=fact.commit,
        committed=_text(commits[0].at) if commits and commits[0].number == fact.commit else None,
        raw_name=envelope.get("rawname"),
        raw_hash=raw.get("hash"),
        raw_line=raw.get("line"),
        raw_offset=raw.get("offset"),
        archived=raw.get("archived"),
        data={name: value for name, value in fact.data.items() if name != "origin"},
    )


def _text(microseconds: int) -> str:
    return datetime.fromtimestamp(microseconds / 1e6, UTC).isoformat().removesuffix("+00:00") + "Z"

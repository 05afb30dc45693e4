"""What stands in a report: the history in words, and every event that it stands on with its hash."""

import hashlib
from collections import Counter
from typing import Any

from broker_bridge.queries.evidence import proofs
from broker_bridge.queries.record import Record
from broker_bridge.store.instants import text
from broker_bridge.store.leaf import leaf
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.references import referred
from broker_bridge.trace.value import Value
from broker_bridge.words.board import Section, sections
from broker_bridge.words.telling import counted, still_open


class Event(Value):
    """One event the report stands on."""

    number: int
    commit: int
    type: str
    station: str | None
    time: str
    """When it happened, RFC 3339, UTC."""
    recorded: str
    """When the adapter took it in."""
    source: str
    id: str
    hash: str
    """SHA-256 of a zero byte and the event as received, hexadecimal: its leaf hash in the record."""
    raw_hash: str | None
    """SHA-256 of the raw record it was made of; None: the bridge or a person says it."""
    raw_name: str | None
    supports: tuple[str, ...]
    """The statements that stand on it: V3, D1 ..."""


class Brief(Value):
    """One line of what the report comes to."""

    number: int
    what: str
    note: str


class Report(Value):
    """A report."""

    title: str
    brief: tuple[Brief, ...]
    sections: tuple[Section, ...]
    events: tuple[Event, ...]
    """In order of the record."""
    hash: str
    """SHA-256 over the leaf hashes of `events`, in order, hexadecimal."""
    record_hash: str | None
    """The same over all events of the record up to its commit; None: it was not asked for, it takes a while."""
    committed: str | None
    """When the commit it holds as of was made."""
    cautions: tuple[str, ...]
    as_of: AsOf


def report(record: Record, history: History, *, record_hash: str | None = None) -> Report:
    """The report of a history of this record. `record_hash`: `queries.proof.digest` up to its commit, where wanted.

    Raises NotFound when the index knows an event that the record does not hold.
    """
    supports: dict[Evidence, dict[str, None]] = {}
    for one in referred(history):
        for evidence in one.statement.evidence:
            supports.setdefault(evidence, {})[one.reference] = None
    events = []
    for proof in proofs(record, supports):
        events.append(
            Event(
                number=proof.number,
                commit=proof.commit,
                type=proof.type,
                station=proof.station,
                time=proof.time,
                recorded=proof.recorded,
                source=proof.source,
                id=proof.id,
                hash=leaf(record.reader.body(proof.number)).hex(),
                raw_hash=proof.raw_hash,
                raw_name=proof.raw_name,
                supports=tuple(supports[Evidence(proof.source, proof.id)]),
            )
        )
    as_of = history.as_of
    (first, *others) = sections(history)
    (title, *who) = first.paragraphs
    return Report(
        title=title.text,
        brief=_brief(history),
        sections=(first._replace(paragraphs=tuple(who)), *others),
        events=tuple(events),
        hash=hashlib.sha256(b"".join(bytes.fromhex(event.hash) for event in events)).hexdigest(),
        record_hash=record_hash,
        committed=_committed(record, as_of.commit),
        cautions=(
            history.completeness.caution,
            "What is not listed did not pass: it was not seen, or nothing was said of it. What may be missing has a section"
            " of its own.",
            "Inferred statements follow from what was observed, with a probability that is a judgement and no statistics;"
            " conflicting ones have sources that contradict each other.",
            "Machines can be wrong, and their clocks as well: this report tells what they said, not what is true.",
        ),
        as_of=as_of,
    )


def _committed(record: Record, commit: int) -> str | None:
    found = record.reader.commits(commit - 1, 1)
    return text(found[0].at) if found and found[0].number == commit else None


def _brief(history: History) -> tuple[Brief, ...]:
    standing = history.standing
    return (
        Brief(len(history.held), "holds in force", "placed, and nothing known that lifts them"),
        Brief(len(history.findings), "findings", "contradictions and deviations, for a person to look at"),
        Brief(len(history.route), "visits to stations", _certainty(history.route)),
        Brief(len(history.inspections), "inspections", _outcomes(history.inspections)),
        Brief(len(history.tests), "tests", _outcomes(history.tests)),
        Brief(standing.confirmed, "defects confirmed", f"of all called places {still_open(standing.open)}"),
        Brief(len(history.undecided), "calls not judged", "neither defects nor passes"),
        Brief(len(history.materials), "materials", _certainty(history.materials)),
        Brief(len(history.gaps), "gaps", "in its time and place: what was said there may be lost"),
    )


def _certainty(statements: tuple[Any, ...]) -> str:
    found = Counter(one.certainty for one in statements)
    return ", ".join(
        f"{found[word]} {word}" for word in ("observed", "inferred", "conflicting") if found[word]
    )


def _outcomes(statements: tuple[Any, ...]) -> str:
    found = Counter(one.outcome.replace("_", " ") for one in statements)
    return ", ".join(f"{number} {outcome}" for outcome, number in sorted(found.items()))


def what_for(report: Report) -> str:
    """In a sentence, what the hashes are for."""
    return (
        f"The {counted(len(report.events), 'event')} above, in this order, have the hash {report.hash}"
        " (SHA-256 over their own hashes). An event's own hash is SHA-256 over a zero byte and its bytes as they were received;"
        " the record keeps both, and `broker-bridge verify` proves that they still belong together."
        + (
            f" All {report.as_of.number} events of the record up to commit {report.as_of.commit} have the hash {report.record_hash}."
            if report.record_hash
            else ""
        )
    )

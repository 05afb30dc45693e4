"""What a page shows of a statement and the events it stands on. Pure."""

from typing import NamedTuple

from broker_bridge.trace.plain import plain
from broker_bridge.trace.references import Proof, Why
from broker_bridge.words.why import LEFT_OUT, raw_words, reasoning, short_words, written_words


class Row(NamedTuple):
    """A name and what is said under it."""

    name: str
    text: str


class Event(NamedTuple):
    """One event."""

    type: str
    station: str
    time: str
    source: str
    id: str
    recorded: str
    number: int
    commit: int
    committed: str | None
    written: str
    raw: str
    data: tuple[Row, ...]


class WhyView(NamedTuple):
    """A statement and all that it stands on."""

    reference: str
    what: str
    commit: int
    rows: tuple[Row, ...]
    reasoning: str
    reasons: tuple[str, ...]
    events: tuple[Event, ...]


def why_view(one: Why) -> WhyView:
    """The view."""
    told, reasons = reasoning(one.statement)
    said = plain(one.statement)
    return WhyView(
        reference=one.reference,
        what=one.what,
        commit=one.as_of.commit,
        rows=tuple(
            Row(name.replace("_", " "), short_words(value))
            for name, value in said.items()
            if name not in LEFT_OUT and value != []
        ),
        reasoning=told,
        reasons=reasons,
        events=tuple(_event(proof) for proof in one.proofs),
    )


def _event(proof: Proof) -> Event:
    return Event(
        type=proof.type, station=proof.station or "", time=proof.time, source=proof.source, id=proof.id,
        recorded=proof.recorded, number=proof.number, commit=proof.commit, committed=proof.committed,
        written=written_words(proof), raw=raw_words(proof),
        data=tuple(Row(name, short_words(value)) for name, value in proof.data.items() if value not in ([], {})),
    )  # fmt: skip

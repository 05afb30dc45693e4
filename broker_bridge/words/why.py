"""One statement of a history, and all that it stands on, in words. Pure: lines of at most 96 columns out."""

import json
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from broker_bridge.trace.plain import plain
from broker_bridge.trace.references import Proof, Why
from broker_bridge.words.telling import WIDTH, safe

LEFT_OUT: Final = frozenset({"evidence", "certainty", "probability", "reason"})
"""Fields of a statement that are told by its reasoning."""


def why_words(one: Why) -> Iterator[str]:
    """The lines."""
    statement = plain(one.statement)
    yield f"{one.reference}, {one.what}, as of commit {one.as_of.commit}. Times are UTC."
    for name, value in statement.items():
        if name not in LEFT_OUT and value != []:
            yield from _wrapped(f"{name.replace('_', ' ')}: {short_words(value)}", 2)
    yield ""
    yield from _reasoned(one.statement)
    yield ""
    yield f"It stands on {len(one.proofs)} event{'' if len(one.proofs) == 1 else 's'}:"
    for number, proof in enumerate(one.proofs, 1):
        yield from _event(number, proof)


def reasoning(statement: Any) -> tuple[str, tuple[str, ...]]:
    """How sure a statement is, in a sentence, and the reasons one by one."""
    certainty = getattr(statement, "certainty", "observed")
    reason = getattr(statement, "reason", None)
    if certainty == "observed":
        told = "Observed: a source saw it and names the board by an identifier that nobody else claims."
        return told, (f"Note: {reason}.",) if reason else ()
    probability = getattr(statement, "probability", None)
    share = "" if probability is None else f", probability {probability:g} (a judgement, no statistics)"
    what = (
        "follows from what was observed"
        if certainty == "inferred"
        else "what was observed does not go together"
    )
    return f"{certainty.capitalize()}{share}: {what}.", tuple((reason or "").split("; "))


def _reasoned(statement: Any) -> Iterator[str]:
    told, reasons = reasoning(statement)
    yield from _wrapped(told, 0)
    observed = getattr(statement, "certainty", "observed") == "observed"
    for part in reasons:
        yield from _wrapped(part if observed else f"- {part}", 2)


def _event(number: int, proof: Proof) -> Iterator[str]:
    place = f" at {proof.station}" if proof.station else ""
    yield from _wrapped(f"{number}. {proof.type}{place}, {proof.time}, said by {proof.source}", 2)
    if written := written_words(proof):
        yield from _wrapped(written, 5)
    committed = f", {proof.committed}" if proof.committed else ""
    yield from _wrapped(
        f"event {proof.id}, taken in {proof.recorded}, number {proof.number} of commit {proof.commit}{committed}",
        5,
    )
    yield from _wrapped(raw_words(proof), 5)
    for name, value in proof.data.items():
        if value in ([], {}):
            continue  # nothing was said
        yield from _wrapped(f"{name}: {short_words(value)}", 7)


def written_words(proof: Proof) -> str:
    """How its source wrote the time, in words; empty where it does not say."""
    written = [
        proof.time_text and f"time as written: {proof.time_text}",
        proof.time_means and f"it is the time of {proof.time_means.replace('_', ' ')}",
        proof.zone and f"zone {proof.zone} ({proof.zone_basis or 'basis not stated'})",
        proof.flags and f"doubtful: {', '.join(proof.flags)}",
    ]
    return "; ".join(text for text in written if text)


def raw_words(proof: Proof) -> str:
    """Where its raw record is, in words."""
    if proof.raw_hash is None:
        return "no raw record: the bridge or a person says it"
    parts = [
        proof.raw_name or "not named",
        proof.raw_line and f"line {proof.raw_line}",
        proof.raw_offset is not None and f"byte {proof.raw_offset}",
        f"SHA-256 {proof.raw_hash}",
        proof.archived and f"whole file in the raw archive under {proof.archived}",
    ]
    return "raw record: " + ", ".join(str(part) for part in parts if part)


def short_words(value: object) -> str:
    """A value of an event on one line."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str | int | float):
        return str(value)
    if isinstance(value, Mapping | Sequence):
        return json.dumps(value, ensure_ascii=True)
    return str(value)


def _wrapped(text: str, indent: int) -> Iterable[str]:
    margin = " " * indent
    return textwrap.wrap(
        safe(text), WIDTH, initial_indent=margin, subsequent_indent=margin + "  ", break_on_hyphens=False
    )

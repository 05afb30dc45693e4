"""One statement of a history, and all that it stands on, in words. Pure: lines of at most 96 columns out."""

import json
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from broker_bridge.trace.plain import plain
from broker_bridge.trace.references import Proof, Why
from broker_bridge.words.telling import WIDTH, safe

_LEFT_OUT: Final = frozenset({"evidence", "certainty", "probability", "reason"})


def why_words(one: Why) -> Iterator[str]:
    """The lines."""
    statement = plain(one.statement)
    yield f"{one.reference}, {one.what}, as of commit {one.as_of.commit}. Times are UTC."
    for name, value in statement.items():
        if name not in _LEFT_OUT and value != []:
            yield from _wrapped(f"{name.replace('_', ' ')}: {_short(value)}", 2)
    yield ""
    yield from _reasoning(one.statement)
    yield ""
    yield f"It stands on {len(one.proofs)} event{'' if len(one.proofs) == 1 else 's'}:"
    for number, proof in enumerate(one.proofs, 1):
        yield from _event(number, proof)


def _reasoning(statement: Any) -> Iterator[str]:
    certainty = getattr(statement, "certainty", "observed")
    reason = getattr(statement, "reason", None)
    if certainty == "observed":
        yield "Observed: a source saw it and names the board by an identifier that nobody else claims."
        if reason:
            yield from _wrapped(f"Note: {reason}.", 2)
        return
    probability = getattr(statement, "probability", None)
    share = "" if probability is None else f", probability {probability:g} (a judgement, no statistics)"
    what = (
        "follows from what was observed"
        if certainty == "inferred"
        else "what was observed does not go together"
    )
    yield from _wrapped(f"{certainty.capitalize()}{share}: {what}.", 0)
    for part in (reason or "").split("; "):
        yield from _wrapped(f"- {part}", 2)


def _event(number: int, proof: Proof) -> Iterator[str]:
    place = f" at {proof.station}" if proof.station else ""
    yield from _wrapped(f"{number}. {proof.type}{place}, {proof.time}, said by {proof.source}", 2)
    written = [
        proof.time_text and f"time as written: {proof.time_text}",
        proof.time_means and f"it is the time of {proof.time_means.replace('_', ' ')}",
        proof.zone and f"zone {proof.zone} ({proof.zone_basis or 'basis not stated'})",
        proof.flags and f"doubtful: {', '.join(proof.flags)}",
    ]
    if any(written):
        yield from _wrapped("; ".join(text for text in written if text), 5)
    committed = f", {proof.committed}" if proof.committed else ""
    yield from _wrapped(
        f"event {proof.id}, taken in {proof.recorded}, number {proof.number} of commit {proof.commit}{committed}",
        5,
    )
    yield from _wrapped(_raw(proof), 5)
    for name, value in proof.data.items():
        if value in ([], {}):
            continue  # nothing was said
        yield from _wrapped(f"{name}: {_short(value)}", 7)


def _raw(proof: Proof) -> str:
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


def _short(value: object) -> str:
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

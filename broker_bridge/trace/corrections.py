"""What persons state against what was recorded: it beats nothing silently.

What a machine said stays as it was said; where a person says otherwise, it is told as in conflict, with who and why.
"""

from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

from broker_bridge.trace.assertions import says
from broker_bridge.trace.attempts import Test
from broker_bridge.trace.belief import TORN, Belief, Evidence, chain, conflicting
from broker_bridge.trace.inspections import Inspection, Record
from broker_bridge.trace.stays import SKEW, Stay
from broker_bridge.trace.value import Value

Judged = TypeVar("Judged", Inspection, Test)


class Correction(Value):
    """A person says an inspection or test came out otherwise."""

    text: str
    evidence: tuple[Evidence, ...]


def corrected(found: Sequence[Judged], records: Iterable[Record]) -> tuple[list[Judged], list[Correction]]:
    """Inspections or tests with what persons say of their outcomes, and what they say in words."""
    result: list[Judged] = list(found)
    told: list[Correction] = []
    for record in _claims(records, "outcome"):
        statement = record.statement
        reference: Any = statement.get("corrects") or {}
        for place in range(len(result)):
            one: Judged = result[place]
            if Evidence(reference.get("source", ""), reference.get("id", "")) not in one.evidence:
                continue
            evidence = tuple(sorted({*one.evidence, statement.evidence}))
            claimed = statement.get("outcome")
            if claimed == one.outcome:
                result[place] = one._replace(evidence=evidence)
                continue
            text = f"it is recorded as {one.outcome}, {statement.get('who')} says {claimed}: {statement.get('why')}"
            own = Belief(one.certainty, one.probability, one.reason)  # type: ignore[arg-type]
            belief = chain(own, conflicting(TORN, text))
            result[place] = one._replace(
                certainty=belief.certainty,
                probability=belief.probability,
                reason=belief.reason,
                evidence=evidence,
            )
            told.append(Correction(f"{one.station or 'a station not known'}: {text}", evidence))
    return result, told


def denied(found: Sequence[Stay], records: Iterable[Record]) -> list[Stay]:
    """The stays, those marked that a person says were none of this board."""
    result = list(found)
    for record in _claims(records, "not_visited"):
        statement, time = record.statement, record.statement.instant("happened")
        for place, stay in enumerate(result):
            near = time is None or stay.first - SKEW <= time <= stay.last + SKEW
            if stay.station == statement.get("station") and near:
                result[place] = stay._replace(denied=says(statement))
    return result


def _claims(records: Iterable[Record], claim: str) -> list[Record]:
    return [
        record
        for record in records
        if record.statement.fact.type == "board.asserted" and record.statement.get("claim") == claim
    ]

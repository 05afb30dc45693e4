"""Verdicts joined to the calls they answer, however much later and wherever they were given."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from broker_bridge.trace.belief import OBSERVED, UNPROVEN, Belief, Evidence, chain, inferred, surest
from broker_bridge.trace.inspections import Call, Inspection, Place, Record, Verdict, begun
from broker_bridge.trace.statements import instant
from broker_bridge.trace.value import Value

_SAME: Final = timedelta(seconds=1)


class Stray(Value):
    """A verdict, or a whole review, that answers nothing in the record."""

    text: str
    evidence: tuple[Evidence, ...]


class Reviewed(Value):
    """Inspections with their reviews, in the order given, and what answers nothing."""

    inspections: tuple[Inspection, ...]
    strays: tuple[Stray, ...]


def review(found: Sequence[Inspection], records: Iterable[Record]) -> Reviewed:
    """Join reviews to inspections: by raw record, by the time they state, else the latest one before."""
    joined: dict[int, list[tuple[_Review, Belief]]] = {}
    strays: list[Stray] = []
    for given in _merged(records):
        matched = _reviewed_by(found, given)
        if matched is None:
            place = given.data.get("inspected_at") or "a station it does not name"
            strays.append(
                Stray(f"a review of an inspection at {place} that the record does not hold", given.evidence)
            )
        else:
            index, belief = matched
            joined.setdefault(index, []).append((given, chain(given.belief, belief)))
    result = []
    for index, inspection in enumerate(found):
        answered, loose = _answer(inspection, joined.get(index, []))
        result.append(answered)
        strays.extend(loose)
    return Reviewed(tuple(result), tuple(strays))


class _Review(Value):
    """One review; the same one saved twice is one."""

    data: Mapping[str, Any]
    time: datetime
    raws: frozenset[tuple[str, str]]
    """Source and raw record's id part of the events that state it."""
    belief: Belief
    evidence: tuple[Evidence, ...]


def _merged(records: Iterable[Record]) -> list[_Review]:
    groups: dict[str, list[Record]] = {}
    for record in records:
        data = record.statement.fact.data
        counted = {
            name: data.get(name)
            for name in ("station", "inspected_at", "inspected", "by", "outcome", "verdicts")
        }
        groups.setdefault(f"{record.statement.time.isoformat()} {counted!r}", []).append(record)
    return [
        _Review(
            data=group[0].statement.fact.data,
            time=group[0].statement.time,
            raws=frozenset(_raw(record.statement.evidence) for record in group),
            belief=surest(record.about.belief for record in group),
            evidence=tuple(sorted({record.statement.evidence for record in group})),
        )
        for _, group in sorted(groups.items())
    ]


def _raw(evidence: Evidence) -> tuple[str, str]:
    # generation.position.ordinal.revision: what two events of one raw record have in common.
    generation, position, _, _ = evidence.id.rsplit(".", 3)
    return evidence.source, f"{generation}.{position}"


def _reviewed_by(found: Sequence[Inspection], given: _Review) -> tuple[int, Belief] | None:
    fitting = [
        (index, inspection)
        for index, inspection in enumerate(found)
        if given.data.get("inspected_at") in (None, inspection.station)
        and (given.data.get("side") in (None, inspection.side) or inspection.side is None)
    ]
    for index, inspection in fitting:
        if given.raws & {_raw(evidence) for evidence in inspection.evidence}:
            return index, OBSERVED
    stated = given.data.get("inspected")
    if stated:
        moment = instant(stated)
        for index, inspection in fitting:
            if any(time and abs(time - moment) < _SAME for time in (inspection.started, inspection.ended)):
                return index, OBSERVED
        return None
    earlier = [(index, inspection) for index, inspection in fitting if begun(inspection) <= given.time]
    if not earlier:
        return None
    answering = [
        (index, inspection)
        for index, inspection in earlier
        if _answers(inspection, given.data.get("verdicts") or ())
    ]
    index, _ = max(answering or earlier, key=lambda pair: begun(pair[1]))
    probability = UNPROVEN if len(answering or earlier) == 1 else round(UNPROVEN / 2, 4)
    return index, inferred(
        probability, "the review does not say which inspection it reviews; the latest before it"
    )


def _answers(inspection: Inspection, verdicts: Sequence[Mapping[str, Any]]) -> bool:
    return any(_matching(inspection.calls, verdict) for verdict in verdicts)


def _matching(calls: Sequence[Call], verdict: Mapping[str, Any]) -> list[int]:
    place = Place.of(verdict["place"])
    return [
        index
        for index, call in enumerate(calls)
        if (place.covers(call.place) or place == call.place) and verdict.get("label") in (None, call.label)
    ]


def _answer(
    inspection: Inspection, reviews: Sequence[tuple[_Review, Belief]]
) -> tuple[Inspection, list[Stray]]:
    if not reviews:
        return inspection, []
    given: dict[int, list[Verdict]] = {}
    strays: list[Stray] = []
    for one, belief in sorted(reviews, key=lambda pair: (pair[0].time, pair[0].evidence)):
        for stated in one.data.get("verdicts") or ():
            verdict = Verdict(
                verdict=stated["verdict"],
                defect=stated.get("defect"),
                remark=stated.get("remark"),
                by=one.data.get("by", "person"),
                station=one.data.get("station"),
                time=one.time,
                certainty=belief.certainty,
                probability=belief.probability,
                reason=belief.reason,
                evidence=one.evidence,
            )
            answered = _matching(inspection.calls, stated)
            for index in answered:
                given.setdefault(index, []).append(verdict)
            if not answered:
                where = " ".join(part for part in Place.of(stated["place"]) if part) or "no place"
                strays.append(Stray(f"a verdict at {where} answers no call of that inspection", one.evidence))
    calls = tuple(
        call._replace(verdict=given[index][-1].verdict, verdicts=tuple(given[index]))
        if index in given
        else call
        for index, call in enumerate(inspection.calls)
    )
    last = max(reviews, key=lambda pair: (pair[0].time, pair[0].evidence))[0]
    return (
        inspection._replace(
            calls=calls,
            reviewed="open" if any(call.verdict in (None, "undecided") for call in calls) else "closed",
            outcome_after_review=last.data.get("outcome", "unknown"),
            evidence=tuple(sorted({*inspection.evidence, *(e for one, _ in reviews for e in one.evidence)})),
        ),
        strays,
    )

"""Confirmed calls and what became of them: as inspected, as reviewed, as reworked."""

from collections.abc import Sequence
from datetime import datetime

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.decisions import Rework
from broker_bridge.trace.inspections import Inspection, Place, begun
from broker_bridge.trace.value import Value


class Defect(Value):
    """A call that a review confirmed."""

    place: Place
    defect: str
    """The plant's word, the machine's label where there is none."""
    station: str | None
    """Where it was called."""
    side: str | None
    called: datetime
    confirmed: datetime
    state: str
    """open: no rework at that place is known. reworked: one is. not_repairable: the rework says so."""
    reworked: datetime | None
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


def defects(inspections: Sequence[Inspection], reworks: Sequence[Rework]) -> list[Defect]:
    """Every confirmed call, in order of the inspections."""
    found: list[Defect] = []
    for inspection in inspections:
        for call in inspection.calls:
            if call.verdict != "confirmed":
                continue
            verdict = call.verdicts[-1]
            state, mended = _mended(call.place, inspection, verdict.time, reworks)
            found.append(
                Defect(
                    place=call.place,
                    defect=verdict.defect or call.defect or call.label,
                    station=inspection.station,
                    side=inspection.side,
                    called=begun(inspection),
                    confirmed=verdict.time,
                    state=state,
                    reworked=mended.ended if mended else None,
                    certainty=verdict.certainty,
                    probability=verdict.probability,
                    reason=verdict.reason,
                    evidence=tuple(
                        sorted({*call.evidence, *verdict.evidence, *(mended.evidence if mended else ())})
                    ),
                )
            )
    return found


def _mended(
    place: Place, inspection: Inspection, confirmed: datetime, reworks: Sequence[Rework]
) -> tuple[str, Rework | None]:
    # From the inspection on, not from the verdict: the bench often writes both in one go.
    since = begun(inspection)
    for rework in reworks:
        if rework.ended < since or rework.outcome == "failed":
            continue
        if rework.side is not None and inspection.side is not None and rework.side != inspection.side:
            continue
        for action in rework.actions:
            if action.place.covers(place) or place.covers(action.place):
                return ("not_repairable" if action.verdict == "not_repairable" else "reworked"), rework
    return "open", None

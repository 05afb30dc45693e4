"""What was decided about a board, and what was done to it outside the normal flow."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.trace.belief import Evidence, surest
from broker_bridge.trace.inspections import Place, Record, evidence_of
from broker_bridge.trace.value import Value
from broker_bridge.trace.witnesses import span

DECISIONS: Final = frozenset(
    {"board.held", "board.released", "board.dispositioned", "board.shipped", "board.asserted"}
)
REWORK: Final = "inspection.rework_performed"
TOP_UP: Final = "inspection.paste_topped_up"


class Decision(Value):
    """A hold, its release, a disposition, a shipment, or what a person states."""

    type: str
    time: datetime
    what: str | None
    """The disposition, the destination, the claim; None for holds and releases."""
    why: str | None
    who: str | None
    """Pseudonym of the person who states it."""
    hold: str | None
    """The plant's number of the hold."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Action(Value):
    """One thing done at one place."""

    place: Place
    action: str
    defect: str | None
    verdict: str | None
    removed: tuple[str, ...]
    """Lots that came off."""
    installed: tuple[str, ...]
    """Lots that went on."""


class Rework(Value):
    """Rework, repair, modification (three things, IPC-7711/7721), or paste added to pads."""

    station: str | None
    kind: str
    side: str | None
    started: datetime
    ended: datetime
    outcome: str
    actions: tuple[Action, ...]
    left: tuple[Place, ...]
    """Places that were asked for and left as they were."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


def decisions(records: Iterable[Record]) -> list[Decision]:
    """The decisions in order of time; the same one stated twice is one."""
    return [_decision(group) for group in _equal(records)]


def in_force(decided: Iterable[Decision]) -> list[Decision]:
    """The holds that nothing lifted. A release lifts those of its own number; without one those that have none."""
    holds: list[Decision] = []
    for one in sorted(decided, key=lambda decision: (decision.time, decision.evidence)):
        if one.type == "board.held" or one.what == "held":
            holds.append(one)
        elif one.type == "board.released" or one.what == "released":
            holds = [hold for hold in holds if hold.hold != one.hold]
    return holds


def reworks(records: Iterable[Record]) -> list[Rework]:
    """The rework in order of time; the same one stated twice is one."""
    return [_rework(group) for group in _equal(records)]


def _equal(records: Iterable[Record]) -> list[list[Record]]:
    groups: dict[str, list[Record]] = {}
    for record in records:
        fact = record.statement.fact
        said = {name: value for name, value in sorted(fact.data.items()) if name not in ("origin", "boards")}
        groups.setdefault(f"{record.statement.time.isoformat()} {fact.type} {said!r}", []).append(record)
    return [sorted(group, key=lambda r: r.statement.evidence) for _, group in sorted(groups.items())]


def _decision(group: Sequence[Record]) -> Decision:
    statement = group[0].statement
    belief = surest(record.about.belief for record in group)
    return Decision(
        type=statement.fact.type,
        time=statement.time,
        what=statement.get("disposition") or statement.get("destination") or statement.get("claim"),
        why=statement.get("reason") or statement.get("why"),
        who=statement.get("who"),
        hold=statement.get("hold"),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=evidence_of(group),
    )


def _rework(group: Sequence[Record]) -> Rework:
    statement = group[0].statement
    belief = surest(record.about.belief for record in group)
    started, ended = span(statement)
    topped_up = statement.fact.type == TOP_UP
    places = statement.get("places") or ()
    return Rework(
        station=statement.get("station"),
        kind="paste_top_up" if topped_up else statement.get("kind") or "unknown",
        side=statement.get("side"),
        started=started,
        ended=ended,
        outcome=statement.get("outcome") or "unknown",
        actions=tuple(Action(Place.of(place), "paste added", None, None, (), ()) for place in places)
        if topped_up
        else tuple(_action(action) for action in statement.get("actions") or ()),
        left=tuple(Place.of(place) for place in statement.get("left") or ()),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=evidence_of(group),
    )


def _action(stated: dict[str, Any]) -> Action:
    return Action(
        place=Place.of(stated["place"]),
        action=stated["action"],
        defect=stated.get("defect"),
        verdict=stated.get("verdict"),
        removed=_lots(stated.get("removed")),
        installed=_lots(stated.get("installed")),
    )


def _lots(material: dict[str, Any] | None) -> tuple[str, ...]:
    return tuple(material.get("lots") or ()) if material else ()

"""Visits as they are told: where, when, what was done, what came of it, and how sure that is."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, TypeVar

from broker_bridge.trace.belief import REPEATED, TORN, Belief, Evidence, chain, conflicting, inferred, surest
from broker_bridge.trace.clocks import untimed
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.value import Value
from broker_bridge.trace.witnesses import Witness

T = TypeVar("T")


class Program(Value):
    """A machine's program. Without revision and hash the revision is not stated."""

    name: str
    revision: str | None = None
    hash: str | None = None


class Visit(Value):
    """One stay of the board at a station."""

    station: str | None
    """None: the sources do not know which of the candidates."""
    candidates: tuple[str, ...]
    equipment: str | None
    lane: int | None
    side: str | None
    """The side worked on, as stated; where nobody states it, the side that faced up."""
    pass_: int
    """Number of the visit to this station on this side of the board, from 1."""
    arrived: datetime
    arrived_certainty: str
    """observed: a source saw the arrival. inferred: `arrived` is when it was first seen there."""
    departed: datetime | None
    departed_certainty: str
    """observed: a source saw the departure. inferred: `departed` is when it was last seen there, and it was seen
    elsewhere later. open: nothing shows that it has left."""
    departed_by: datetime | None
    """Where the departure is inferred: when it was next seen elsewhere."""
    came: str | None
    """How it came, as stated: transferred, loaded, or inserted by hand."""
    left: str | None
    """How it left, as stated: transferred, unloaded, or removed by hand."""
    work: tuple[str, ...]
    """Types of what was done there, each once, in order of time."""
    batch: str | None
    """The oven load, wash, bake or cure it was a member of."""
    program: Program | None
    outcome: str | None
    """Of an inspection or test: its outcome; of other work: the work's. None: nobody stated one, which is no
    pass."""
    handed_on: str | None
    """What the station told its neighbour about the board: good, failed or unknown."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Stray(Value):
    """A program stated for a time that fits no pass through the station: it ran, in which visit is doubtful."""

    visit: int
    """Place in the route of the visit it was laid to."""
    program: Program
    side: str | None
    time: datetime
    """As stated."""
    reason: str


def stray_programs(found: Sequence[Stay]) -> tuple[Stray, ...]:
    """The programs that visits do not tell, as the time of what states them is doubtful."""
    told: dict[tuple[int, Program], Stray] = {}
    for index, stay in enumerate(found):
        strays = [] if stay.untimed else [witness for witness in stay.witnesses if untimed(witness)]
        known = _program(stay) if strays else None
        for witness in strays:
            stated = witness.statement.get("program")
            if not stated:
                continue
            program = Program(stated["name"], stated.get("revision"), stated.get("hash"))
            reason = witness.belief.reason or "the time is doubtful, and so is which visit it was"
            if program != known:
                told.setdefault((index, program), Stray(index, program, witness.side, witness.start, reason))
    return tuple(told.values())


def visits(found: Sequence[Stay], torn: Collection[int]) -> list[Visit]:
    """The visits, one for each stay; `torn` are the places of those that overlap with another."""
    passes: dict[tuple[str | None, str | None], int] = {}
    sides = _sides(found)
    result: list[Visit] = []
    for index, stay in enumerate(found):
        later = next((other for other in found[index + 1 :] if other.station != stay.station), None)
        side = sides[index]
        key = (stay.station, side)
        passes[key] = passes.get(key, 0) + 1
        result.append(_visit(stay, later, side, passes[key], index in torn))
    return result


def _visit(stay: Stay, later: Stay | None, side: str | None, number: int, torn: bool) -> Visit:
    belief = believed(stay, torn)
    arrival, departure = stay.end("arrived"), stay.end("departed")
    clock = next((witness.clock for witness in stay.witnesses if witness.clock), None)
    departed, departed_by, departed_certainty = None, None, "open"
    if departure is not None:
        departed, departed_certainty = departure.end, departure.belief.certainty
    elif later is not None:
        departed, departed_by, departed_certainty = stay.last, max(later.first, stay.last), "inferred"
    if departed_certainty == "observed" and departure is not None and departure.clock:
        departed_certainty = "inferred"
    arrived_certainty = "inferred"
    if arrival is not None and not arrival.clock:
        arrived_certainty = arrival.belief.certainty
    facts = [witness.statement.fact for witness in stay.witnesses]
    reason = belief.reason or ""
    if clock and clock not in reason:
        reason = "; ".join(text for text in (reason, clock) if text)
    return Visit(
        station=stay.station,
        candidates=stay.witnesses[0].candidates if stay.station is None else (),
        equipment=one_of(fact.data.get("equipment") for fact in facts if _at(fact.data, stay)),
        lane=one_of(witness.lane for witness in stay.witnesses),
        side=side,
        pass_=number,
        arrived=arrival.start if arrival is not None else stay.first,
        arrived_certainty=arrived_certainty,
        departed=departed,
        departed_certainty=departed_certainty,
        departed_by=departed_by,
        came=_how(stay, "arrived"),
        left=_how(stay, "departed"),
        work=tuple(dict.fromkeys(fact.type for fact in facts if not fact.type.startswith("board."))),
        batch=one_of(witness.statement.get("batch") for witness in stay.witnesses),
        program=_program(stay),
        outcome=_outcome(stay),
        handed_on=_worst(
            (f.data.get("outcome") for f in facts if f.type in _HANDING and _at(f.data, stay)), _WORDS
        ),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=reason or None,
        evidence=evidence_of(stay.witnesses),
    )


def _how(stay: Stay, role: str) -> str | None:
    stated = {
        "transferred" if witness.statement.fact.type == "board.transferred" else witness.statement.get("how")
        for witness in stay.witnesses
        if witness.role == role
    } - {None, "unknown"}
    return stated.pop() if len(stated) == 1 else None


def believed(stay: Stay, torn: bool) -> Belief:
    """How sure a visit is: as sure as its surest witness, unless it is suspect or torn."""
    belief = surest(witness.belief for witness in stay.witnesses)
    if stay.station is None:
        count = max(len(stay.witnesses[0].candidates), 1)
        belief = chain(
            belief, inferred(round(1 / count, 4), f"the source does not know which of {count} stations")
        )
    return chain(belief, doubt_of(stay, torn))


def doubt_of(stay: Stay, torn: bool) -> Belief:
    """What speaks against a visit as such, and so against all that its witnesses say."""
    doubts: list[Belief] = []
    if stay.suspect:
        doubts.append(inferred(REPEATED, f"{stay.suspect}: a stale read, or done again"))
    if stay.denied:
        doubts.append(conflicting(TORN, stay.denied))
    if torn:
        doubts.append(conflicting(TORN, "seen at two places at once"))
    return chain(*doubts)


def evidence_of(witnesses: Iterable[Witness]) -> tuple[Evidence, ...]:
    """The events some witnesses are, each once, in order."""
    return tuple(sorted({witness.statement.evidence for witness in witnesses}))


_HANDING: Final = frozenset({"board.departed", "board.transferred"})
_WORDS: Final = ("failed", "unknown", "good")
_RESULTS: Final = (
    "inspection.test_completed",
    "inspection.completed",
    "work.print_attempted",
    "work.completed",
)
_SEVERITY: Final = (
    "failed", "aborted", "skipped", "bypassed", "not_inspected", "unknown", "passed", "completed",
)  # fmt: skip
"""Of several outcomes of one kind the gravest is told, so that a pass never hides something else."""


def worst_outcome(outcomes: Iterable[str | None]) -> str | None:
    """The gravest of some outcomes of one thing; None where nobody stated one."""
    return _worst(outcomes, _SEVERITY)


def _outcome(stay: Stay) -> str | None:
    for kind in _RESULTS:
        found = [w.statement for w in stay.timed if w.statement.fact.type == kind]
        if found:
            # A later attempt within one visit replaces the earlier one.
            attempt = max(statement.get("attempt") or 0 for statement in found)
            return worst_outcome(s.get("outcome") for s in found if (s.get("attempt") or 0) == attempt)
    return None


def _program(stay: Stay) -> Program | None:
    stated = [witness.statement.get("program") for witness in stay.timed]
    known = [Program(p["name"], p.get("revision"), p.get("hash")) for p in stated if p]
    if not known:
        return None
    return max(known, key=lambda p: (p.revision is not None, p.hash is not None, known.count(p), p.name))


def _sides(found: Sequence[Stay]) -> list[str | None]:
    return [
        one_of(witness.side for witness in stay.witnesses)
        or one_of(witness.side_up for witness in stay.witnesses)
        for stay in found
    ]


def _at(data: Mapping[str, Any], stay: Stay) -> bool:
    return data.get("station") == stay.station


def one_of(values: Iterable[T | None]) -> T | None:
    """The value most witnesses state; the least of equals, so that no order decides."""
    known = [value for value in values if value is not None]
    distinct = set(known)
    if len(distinct) < 2:
        return known[0] if known else None
    return max(sorted(distinct, key=repr), key=known.count)


def _worst(outcomes: Iterable[str | None], scale: Sequence[str]) -> str | None:
    stated = {outcome for outcome in outcomes if outcome is not None}
    return next((outcome for outcome in scale if outcome in stated), None)

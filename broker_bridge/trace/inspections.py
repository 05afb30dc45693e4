"""Many records, one inspection: what was looked at, what was called, what came of it.

An inspection is one by station, board, side, start and program; the same record saved again, copied or sent
over another channel is another witness of it. No row is not a pass: only the outcome `passed` is one.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from broker_bridge.trace.belief import TORN, Belief, Evidence, chain, conflicting, surest
from broker_bridge.trace.identity import About
from broker_bridge.trace.revisions import raw_record
from broker_bridge.trace.statements import Statement, instant
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Program, one_of, worst_outcome
from broker_bridge.trace.witnesses import span

_SAME: Final = timedelta(seconds=1)
"""Two records of one inspection, one of them without fractions of a second."""

PASTE: Final = "reading.paste_measured"


class Place(Value):
    """A spot on a board."""

    designator: str | None = None
    termination: str | None = None
    pad: str | None = None

    @classmethod
    def of(cls, stated: Mapping[str, Any]) -> "Place":
        """The place an event states."""
        return cls(stated.get("designator"), stated.get("termination"), stated.get("pad"))

    def covers(self, other: "Place") -> bool:
        """Whether what this place states is also true of the other one; false where it states nothing."""
        stated = [(mine, theirs) for mine, theirs in zip(self, other, strict=True) if mine is not None]
        return bool(stated) and all(mine == theirs for mine, theirs in stated)


class Verdict(Value):
    """What was decided about a call."""

    verdict: str
    defect: str | None
    remark: str | None
    by: str
    """person or machine"""
    station: str | None
    time: datetime
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Call(Value):
    """The machine says something is wrong here."""

    place: Place
    label: str
    """In the machine's words."""
    defect: str | None
    """In the plant's words, where a table translates."""
    verdict: str | None
    """The latest verdict; None: not reviewed."""
    verdicts: tuple[Verdict, ...]
    """All of them, in order of time."""
    evidence: tuple[Evidence, ...]


class Coverage(Value):
    """What was looked at."""

    inspected: int | None = None
    total: int | None = None
    of: str | None = None
    left_out: tuple[str, ...] = ()
    sampling: str | None = None


class Paste(Value):
    """Paste measured pad by pad; the values are given on demand."""

    pads: int
    out_of_limits: int | None
    block: str
    """SHA-256 of the packed values."""
    evidence: tuple[Evidence, ...]


class Inspection(Value):
    """One inspection of the board, or of the panel it is part of."""

    station: str | None
    equipment: str | None
    lane: int | None
    side: str | None
    scope: str
    """What was inspected: board, panel, assembly; several: it speaks of several boards without telling which."""
    method: str
    program: Program | None
    started: datetime | None
    ended: datetime | None
    attempt: int | None
    outcome: str
    cause: str | None
    """Why it was aborted, skipped, bypassed or not done, in the source's words."""
    coverage: Coverage | None
    """None: not stated."""
    calls: tuple[Call, ...]
    reviewed: str
    """none: no review is known; open: calls without verdict are left; closed: every call has one."""
    outcome_after_review: str | None
    """What the latest review made of it."""
    paste: tuple[Paste, ...]
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]
    corrected: datetime | None = None
    """When it began, or else ended, with the error of its machine's clock taken off; `started` and `ended` are what the
    machine stated. None: nothing shows that its clock is wrong."""
    clock: str | None = None
    """By how much its machine's clock is wrong, and what shows it."""


class Record(Value):
    """One statement about an inspection or test."""

    statement: Statement
    about: About


def gathered(records: Iterable[Record]) -> list[list[Record]]:
    """The records of each inspection or test together, in order."""
    found = sorted(records, key=lambda record: _key(record.statement))
    groups = list(range(len(found)))
    for later, record in enumerate(found):
        for earlier in range(later):
            if groups[earlier] != groups[later] and _one(found[earlier], record):
                merged, kept = groups[later], groups[earlier]
                groups = [kept if group == merged else group for group in groups]
    return [
        [record for record, owner in zip(found, groups, strict=True) if owner == group]
        for group in dict.fromkeys(groups)
    ]


def inspections(records: Iterable[Record]) -> list[Inspection]:
    """The inspections in order of time, not yet reviewed."""
    return [_inspection(group) for group in gathered(records)]


def scope_of(record: Record) -> str:
    """What a record speaks of: board, panel, assembly, several or unknown."""
    objects = [mention for mention in record.statement.mentions if mention.role == "object"]
    return "several" if len(objects) > 1 else record.about.unit


def times(statement: Statement) -> tuple[datetime | None, datetime | None]:
    """Start and end as far as stated."""
    started, ended = statement.instant("started"), statement.instant("ended")
    if started is None and statement.time_means == "start":
        started = statement.time
    if ended is None and statement.time_means == "end":
        ended = statement.time
    return started, ended


def _key(statement: Statement) -> tuple[datetime, datetime, Evidence]:
    return *span(statement), statement.evidence


def _one(a: Record, b: Record) -> bool:
    one, other = a.statement.fact, b.statement.fact
    if scope_of(a) != scope_of(b) or a.about.scope != b.about.scope:
        return False
    if raw_record(one) == raw_record(other):
        return one.type == PASTE or other.type == PASTE or one.id == other.id
    return (
        one.data.get("station") is not None
        and one.data.get("station") == other.data.get("station")
        and _agree(_method(a.statement), _method(b.statement))
        and _agree(one.data.get("side"), other.data.get("side"))
        and _agree(_program_name(one.data), _program_name(other.data))
        and _agree(one.data.get("attempt"), other.data.get("attempt"))
        and _together(a.statement, b.statement)
    )


def _together(one: Statement, other: Statement) -> bool:
    for mine, theirs in zip(times(one), times(other), strict=True):
        if mine is not None and theirs is not None:
            return abs(mine - theirs) < _SAME
    same_meaning = one.time_means == other.time_means and times(one) == times(other) == (None, None)
    return same_meaning and abs(one.time - other.time) < _SAME


def _agree(one: object, other: object) -> bool:
    return one is None or other is None or one == other


def _method(statement: Statement) -> str | None:
    return "paste" if statement.fact.type == PASTE else statement.get("method")


def _program_name(data: Mapping[str, Any]) -> str | None:
    program = data.get("program")
    return program["name"] if program else None


def merged_belief(group: Sequence[Record], outcomes: Iterable[str | None]) -> Belief:
    """How sure an inspection or test is: as its surest witness, unless its records contradict each other."""
    belief = surest(record.about.belief for record in group)
    stated = sorted({outcome for outcome in outcomes if outcome not in (None, "unknown")}, key=str)
    if len(stated) > 1:
        told = " and ".join(str(outcome) for outcome in stated)
        belief = chain(belief, conflicting(TORN, f"records of it state the outcomes {told}"))
    return belief


def program_of(group: Sequence[Record]) -> Program | None:
    """The program most fully stated."""
    stated = [record.statement.get("program") for record in group]
    known = sorted({Program(p["name"], p.get("revision"), p.get("hash")) for p in stated if p}, key=repr)
    return max(known, key=lambda p: (p.revision is not None, p.hash is not None)) if known else None


def evidence_of(records: Iterable[Record]) -> tuple[Evidence, ...]:
    """The events, each once, in order."""
    return tuple(sorted({record.statement.evidence for record in records}))


def calls_of(records: Sequence[Record]) -> tuple[Call, ...]:
    """All calls of one inspection: a call that several records state is one; two equal rows of one are two."""
    most: Counter[tuple[Place, str]] = Counter()
    stated: dict[tuple[Place, str], list[Evidence]] = {}
    defects: dict[tuple[Place, str], set[str]] = {}
    for record in records:
        mine: Counter[tuple[Place, str]] = Counter()
        for call in record.statement.get("calls") or ():
            key = Place.of(call["place"]), call["label"]
            mine[key] += 1
            stated.setdefault(key, []).append(record.statement.evidence)
            if call.get("defect"):
                defects.setdefault(key, set()).add(call["defect"])
        most |= mine
    return tuple(
        Call(
            place=key[0],
            label=key[1],
            defect=" / ".join(sorted(defects[key])) if key in defects else None,
            verdict=None,
            verdicts=(),
            evidence=tuple(sorted(set(stated[key]))),
        )
        for key in sorted(most, key=repr)
        for _ in range(most[key])
    )


def coverage_of(records: Sequence[Record]) -> Coverage | None:
    """The coverage stated; of several the least."""
    stated = [record.statement.get("coverage") for record in records]
    known = [
        Coverage(
            c.get("inspected"),
            c.get("total"),
            c.get("of"),
            tuple(sorted(c.get("left_out") or ())),
            c.get("sampling"),
        )
        for c in stated
        if c
    ]
    return min(known, key=lambda c: (c.inspected is None, c.inspected or 0, repr(c))) if known else None


def _inspection(group: Sequence[Record]) -> Inspection:
    records = [record for record in group if record.statement.fact.type != PASTE]
    outcomes = [record.statement.get("outcome") for record in records]
    belief = merged_belief(group, outcomes)
    starts = [start for start, _ in (times(record.statement) for record in group) if start]
    ends = [end for _, end in (times(record.statement) for record in group) if end]
    calls = calls_of(records)
    return Inspection(
        station=one_of(record.statement.get("station") for record in group),
        equipment=one_of(record.statement.get("equipment") for record in group),
        lane=one_of(record.statement.get("lane") for record in group),
        side=one_of(record.statement.get("side") for record in group),
        scope=scope_of(group[0]),
        method=one_of(_method(record.statement) for record in group) or "other",
        program=program_of(group),
        started=min(starts) if starts else None,
        ended=max(ends) if ends else (None if starts else group[0].statement.time),
        attempt=one_of(record.statement.get("attempt") for record in group),
        outcome=worst_outcome(outcomes) or "unknown",
        cause=one_of(record.statement.get("reason") for record in records),
        coverage=coverage_of(records),
        calls=calls,
        reviewed="none",
        outcome_after_review=None,
        paste=_paste(group),
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=evidence_of(group),
    )


def _paste(group: Sequence[Record]) -> tuple[Paste, ...]:
    blocks: dict[str, list[Record]] = {}
    for record in group:
        if record.statement.fact.type == PASTE:
            blocks.setdefault(record.statement.fact.data["block"], []).append(record)
    return tuple(
        Paste(
            pads=found[0].statement.fact.data["pads"],
            out_of_limits=found[0].statement.get("out_of_limits"),
            block=block,
            evidence=evidence_of(found),
        )
        for block, found in sorted(blocks.items())
    )


def begun(inspection: Inspection) -> datetime:
    """When it was done, for putting in order."""
    return inspection.started or inspection.ended or instant("9999-12-31T00:00:00Z")

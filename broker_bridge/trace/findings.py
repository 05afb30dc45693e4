"""What does not go together: told, never resolved by a guess."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.claims import Claim, told
from broker_bridge.trace.identity import About, Thing
from broker_bridge.trace.inspections import Inspection
from broker_bridge.trace.mentions import Slot
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import evidence_of

_MOST: Final = 20
"""Events that one finding names at most; the first and last ones."""


class Finding(Value):
    """A contradiction, or something a person should look at."""

    kind: str
    text: str
    evidence: tuple[Evidence, ...]


def of_identity(thing: Thing) -> list[Finding]:
    """Identifiers that others claim too, and places that exclude each other."""
    found: list[Finding] = []
    for knot, claim in thing.claims.items():
        if claim.contested and claim.rivals:
            others = " and ".join(told(rival) for rival in claim.rivals[:5])
            kind = "shared_position" if isinstance(knot, Slot) else "shared_identifier"
            found.append(Finding(kind, f"{told(knot)} names this and also {others}", _proofs([claim])))
        found.extend(_doubted(claim))
    slots = [claim for knot, claim in thing.claims.items() if isinstance(knot, Slot) and claim.switches]
    if len(slots) > 1:
        places = " and ".join(told(claim.knot) for claim in slots)
        found.append(
            Finding(
                "two_positions", f"said to be {places}, with nothing that explains the change", _proofs(slots)
            )
        )
    wholes = [within.claim for within in thing.wholes if within.claim.switches]
    if len(wholes) > 1:
        names = " and ".join(told(claim.knot) for claim in wholes)
        found.append(
            Finding(
                "two_panels",
                f"said to be part of {names}, with nothing that explains the change",
                _proofs(wholes),
            )
        )
    for within in thing.wholes:
        found.extend(_doubted(within.claim))
    return found


def of_visits(stays: Sequence[Stay], torn: Sequence[tuple[int, int]]) -> list[Finding]:
    """Two places at once, and the same identifier again without a departure."""
    found = [
        Finding(
            "two_places",
            f"seen at {one.station} and at {other.station} at once, about {max(one.first, other.first):%Y-%m-%d %H:%M:%S} UTC",
            _some(evidence_of((*one.witnesses, *other.witnesses))),
        )
        for one, other in ((stays[first], stays[second]) for first, second in torn)
    ]
    found.extend(
        Finding(
            "repeated_identifier",
            f"{stay.station}, {stay.first:%Y-%m-%d %H:%M:%S} UTC: {stay.suspect}",
            _some(evidence_of(stay.witnesses)),
        )
        for stay in stays
        if stay.suspect
    )
    for stay in stays:
        lanes = sorted({witness.lane for witness in stay.witnesses if witness.lane is not None})
        if len(lanes) > 1:
            text = f"{stay.station}: its witnesses state the lanes {' and '.join(map(str, lanes))}"
            found.append(Finding("two_lanes", text, _some(evidence_of(stay.witnesses))))
    return found


def of_placement(
    inspections: Sequence[Inspection], placed: Mapping[str, tuple[str | None, Evidence]]
) -> list[Finding]:
    """Calls at components that the part's declared placement does not have, or has on the other side.

    A board that was turned, another part's program, or a position counted from another corner looks like this.
    """
    found: list[Finding] = []
    for one in inspections if placed else ():
        odd: list[str] = []
        evidence = set(one.evidence)
        for call in one.calls:
            name = call.place.designator
            if name is not None and name not in placed:
                odd.append(f"{name} is no component of the part")
            elif name is not None:
                side, declared = placed[name]
                if side is not None and one.side is not None and side != one.side:
                    odd.append(f"{name} is placed on the {side}")
                    evidence.add(declared)
        if odd:
            text = f"{one.station or 'a station not known'}, {one.side or 'side not stated'}: its calls contradict the placement"
            more = f" and {len(odd) - 5} more" if len(odd) > 5 else ""
            found.append(
                Finding(
                    "contradicts_placement",
                    f"{text}: {', '.join(dict.fromkeys(odd[:5]))}{more}",
                    _some(evidence),
                )
            )
    return found


def of_positions(about: Sequence[tuple[Statement, About]]) -> list[Finding]:
    """Skipped positions that were worked on later."""
    found: list[Finding] = []
    skipped: Statement | None = None
    for statement, way in about:
        if way.scope != "self":
            continue
        state = way.mention.state
        if state == "skipped" or state == "missing":
            skipped = skipped or statement
        elif skipped is not None and (state == "good" or statement.fact.type in _POPULATED):
            found.append(
                Finding(
                    "skipped_and_worked",
                    f"{skipped.get('station')} says it is {_state(skipped, about)}, {statement.get('station')} later"
                    " takes it for a board to work on",
                    (skipped.evidence, statement.evidence),
                )
            )
            skipped = None
    return found


_POPULATED = frozenset({"material.installed", "inspection.completed", "inspection.test_completed"})


def _state(statement: Statement, about: Sequence[tuple[Statement, About]]) -> str:
    return next(way.mention.state or "" for other, way in about if other is statement)


def _doubted(claim: Claim) -> Iterable[Finding]:
    for doubt in claim.doubts:
        if doubt.certainty == "conflicting":
            yield Finding("denied", doubt.reason or "", _proofs([claim]))


def _proofs(claims: Iterable[Claim]) -> tuple[Evidence, ...]:
    return _some(proof.evidence for claim in claims for proof in claim.proofs)


def _some(evidence: Iterable[Evidence]) -> tuple[Evidence, ...]:
    ordered = sorted(set(evidence))
    return tuple(ordered) if len(ordered) <= _MOST else (*ordered[: _MOST // 2], *ordered[-_MOST // 2 :])

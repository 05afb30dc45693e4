"""Who the board is: its identifiers with their validity, and what it is part of."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from broker_bridge.trace.belief import Belief, Evidence, surest
from broker_bridge.trace.claims import Claim
from broker_bridge.trace.identity import About, Thing
from broker_bridge.trace.mentions import Knot, Slot
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import one_of


class Key(Value):
    """What the thing is known by: a serial, or a panel and the position in it."""

    kind: str
    value: str
    position: int | None = None
    """Set where the key is a panel's identifier and the thing the board at this position."""


class Identifier(Value):
    """One of its identifiers."""

    kind: str
    value: str
    how: tuple[str, ...]
    """How sources obtained it: read, passed_on, typed, assumed."""
    from_: datetime | None
    """First proof that it names this thing."""
    to: datetime | None
    """Last proof."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]
    """The first and the last proof."""


class Part(Value):
    """A panel or assembly the thing is, or was, part of."""

    unit: str
    kind: str
    value: str
    position: int | None
    from_: datetime | None
    to: datetime | None
    """None: nothing says that it was taken out."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Member(Value):
    """What is known of a board of the panel that was asked for."""

    position: int | None
    kind: str | None
    value: str | None
    """None: only the position is known."""


class State(Value):
    """What a source says of the position: good, failed, missing, skipped or unknown."""

    state: str
    station: str | None
    time: datetime
    evidence: tuple[Evidence, ...]


class Characteristic(Value):
    """What tells the board apart without naming it: firmware version, checksum."""

    name: str
    value: str
    time: datetime
    evidence: tuple[Evidence, ...]


class Order(Value):
    """A work order the board was made under."""

    order: str
    since: datetime


class Identity(Value):
    """Who it is."""

    key: Key
    unit: str
    """board, panel, assembly or unknown"""
    identifiers: tuple[Identifier, ...]
    panel: Key | None
    """The panel it is part of now."""
    position: int | None
    """None also where sources contradict each other: see `within` and the findings."""
    within: tuple[Part, ...]
    """All panels and assemblies, with validity."""
    boards: tuple[Member, ...]
    """For a panel: the boards of it, each with a history of its own."""
    states: tuple[State, ...]
    """Changes only."""
    side: tuple[str, ...]
    """Sides that were worked on."""
    assembly: Key | None
    part_number: str | None
    revision: str | None
    work_orders: tuple[Order, ...]
    purpose: str | None
    """None: not stated."""
    characteristics: tuple[Characteristic, ...]


def portrait(thing: Thing, about: Sequence[tuple[Statement, About]]) -> Identity:
    """The identity as the statements about the thing show it."""
    own = [(statement, way) for statement, way in about if way.scope == "self"] or list(about)
    within = tuple(_parts(thing))
    current = [part for part in within if part.to is None]
    panels = [part for part in current if part.unit == "panel"]
    assemblies = [part for part in current if part.unit == "assembly"]
    positions = {part.position for part in panels}
    parts = _stated(own, "part") or _stated(about, "part")
    number = one_of(part["number"] for part in parts)
    return Identity(
        key=key_of(thing.key),
        unit="board" if thing.unit == "slot" else thing.unit or "unknown",
        identifiers=tuple(_identifiers(thing, about)),
        panel=Key(panels[0].kind, panels[0].value) if len({(p.kind, p.value) for p in panels}) == 1 else None,
        position=positions.pop() if len(positions) == 1 else None,
        within=within,
        boards=tuple(_boards(thing, about)),
        states=tuple(_states(own)),
        side=tuple(sorted({statement.get("side") for statement, _ in about if statement.get("side")})),
        assembly=Key(assemblies[0].kind, assemblies[0].value) if len(assemblies) == 1 else None,
        part_number=number,
        revision=one_of(part.get("revision") for part in parts if part["number"] == number),
        work_orders=tuple(_orders(about)),
        purpose=one_of(statement.get("purpose") for statement, _ in about),
        characteristics=tuple(_characteristics(own)),
    )


def _stated(about: Sequence[tuple[Statement, About]], name: str) -> list[Mapping[str, Any]]:
    return [value for statement, _ in about if (value := statement.get(name))]


def key_of(knot: Knot) -> Key:
    """A knot as a key."""
    if isinstance(knot, Slot):
        return Key(knot.panel.kind, knot.panel.value, knot.position)
    return Key(knot.kind, knot.value)


def _identifiers(thing: Thing, about: Sequence[tuple[Statement, About]]) -> Iterable[Identifier]:
    for knot in sorted((*thing.names, *thing.claims), key=repr):
        if isinstance(knot, Slot):
            continue
        named = [
            (statement, name.how)
            for statement, _ in about
            for mention in statement.mentions
            for name in mention.names
            if name.node == knot
        ]
        if not named:
            continue
        claim = thing.claims.get(knot)
        proofs = [statement for statement, _ in named]
        belief = _belief(claim)
        yield Identifier(
            kind=knot.kind,
            value=knot.value,
            how=tuple(sorted({how for _, how in named})),
            from_=claim.ours[0].time if claim and claim.ours else proofs[0].time,
            to=claim.ours[-1].time if claim and claim.ours else proofs[-1].time,
            certainty=belief.certainty,
            probability=belief.probability,
            reason=belief.reason,
            evidence=tuple(sorted({proofs[0].evidence, proofs[-1].evidence})),
        )


def _belief(claim: Claim | None) -> Belief:
    beliefs = [belief for proof in claim.ours if (belief := claim.at(proof.time))] if claim else []
    return surest(beliefs) if beliefs else Belief()


def _parts(thing: Thing) -> Iterable[Part]:
    for within in thing.wholes:
        slots: list[Slot | None] = [slot for slot in thing.slots if slot.panel == within.claim.knot]
        for slot in slots or [None]:
            claim = thing.claims.get(slot, within.claim) if slot is not None else within.claim
            if not claim.ours:
                continue
            belief = _belief(claim)
            evidence = {claim.ours[0].evidence, claim.ours[-1].evidence}
            key = key_of(within.claim.knot)
            yield Part(
                unit=within.whole.unit or "panel",
                kind=key.kind,
                value=key.value,
                position=slot.position if slot is not None else None,
                from_=claim.ours[0].time,
                to=_until(within.claim, claim),
                certainty=belief.certainty,
                probability=belief.probability,
                reason=belief.reason,
                evidence=tuple(sorted(evidence)),
            )


def _until(*claims: Claim) -> datetime | None:
    ended = [claim.ours[-1].time for claim in claims if claim.ours and claim.ours[-1].after is False]
    return min(ended) if ended else None


def _boards(thing: Thing, about: Sequence[tuple[Statement, About]]) -> list[Member]:
    if thing.unit != "panel":
        return []
    members: set[Member] = set()
    for _, way in about:
        if way.scope == "member":
            mention = way.mention
            units = [name.node for name in mention.names if name.node.kind == "board"]
            members.update(Member(mention.position, node.kind, node.value) for node in units)
            if not units and mention.position is not None:
                members.add(Member(mention.position, None, None))
    named = {member.position for member in members if member.kind}
    return sorted(
        (member for member in members if member.kind or member.position not in named),
        key=lambda member: (member.position or 0, member.kind or "", member.value or ""),
    )


def _states(own: Iterable[tuple[Statement, About]]) -> Iterable[State]:
    last: str | None = None
    for statement, way in own:
        state = way.mention.state
        if state is not None and state != last:
            yield State(state, statement.get("station"), statement.time, (statement.evidence,))
            last = state


def _orders(about: Iterable[tuple[Statement, About]]) -> Iterable[Order]:
    seen: set[str] = set()
    for statement, _ in about:
        order = statement.get("order")
        if order and order not in seen:
            seen.add(order)
            yield Order(order, statement.time)


def _characteristics(own: Iterable[tuple[Statement, About]]) -> Iterable[Characteristic]:
    seen: set[tuple[str, str]] = set()
    for statement, way in own:
        for name, value in way.mention.characteristics:
            if (name, value) not in seen:
                seen.add((name, value))
                yield Characteristic(name, value, statement.time, (statement.evidence,))

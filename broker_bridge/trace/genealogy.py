"""What a thing is part of and what is part of it: panel, board, assembly, at any depth and in time."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.belief import Belief, Evidence, chain, surest
from broker_bridge.trace.claims import Claim
from broker_bridge.trace.identity import Thing
from broker_bridge.trace.knots import Bond, Web, unit
from broker_bridge.trace.mentions import Knot, Node, Slot, order
from broker_bridge.trace.value import Value

DEPTH: Final = 8
"""Assemblies inside assemblies that are followed."""


class Kin(Value):
    """One thing that this one is part of (`part_of`), or that is part of it (`holds`), in steps of `depth`."""

    relation: str
    depth: int
    unit: str
    kind: str
    value: str
    position: int | None
    """Position in the panel: this one's for `part_of`, that one's for `holds`. With `kind` a panel's and relation
    `holds` the thing is known by panel and position alone."""
    through: str | None
    """What lies between the two, next to the upper one; None at depth 1."""
    from_: datetime | None
    """First proof."""
    to: datetime | None
    """When it was taken out; None: nothing says that it was."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]

    @property
    def now(self) -> bool:
        """Whether it still is, as far as is known."""
        return self.to is None


def ancestors(thing: Thing) -> list[Kin]:
    """All panels and assemblies it is or was part of, nearest first."""
    found: list[Kin] = []
    agenda: list[tuple[Thing, int, Belief, _Span]] = [(thing, 1, Belief(), _Span(None, None, None))]
    while agenda:
        part, depth, above, outer = agenda.pop(0)
        for within in part.wholes if depth <= DEPTH else ():
            slots = [slot for slot in part.slots if slot.panel == within.claim.knot]
            claim = part.claims.get(slots[0], within.claim) if len(slots) == 1 else within.claim
            own = span(within.claim)
            if own is None:
                continue
            both = own.both(outer)
            if both.empty:
                continue  # it had left the one before that became part of the other
            belief = chain(above, belief_of(claim))
            knot = within.claim.knot
            assert not isinstance(knot, Slot)
            found.append(
                Kin(
                    "part_of", depth, within.whole.unit or "panel", knot.kind, knot.value,
                    slots[0].position if len(slots) == 1 else None, _name(part.key) if depth > 1 else None,
                    both.first, both.end, belief.certainty, belief.probability, belief.reason, _proofs(within.claim),
                )
            )  # fmt: skip
            agenda.append((within.whole, depth + 1, belief, both))
    return found


def children(web: Web, thing: Thing) -> list[Knot]:
    """What statements about a thing name as part of it, in order; each has to be judged by the facts about itself."""
    return sorted(_children(web, thing), key=order)


def holds(child: Thing, names: Collection[Knot]) -> list[Kin]:
    """A thing as part, at any depth, of the one that goes by these names: by every way it is or was, nearest first."""
    above = ancestors(child)
    panels = [kin for kin in above if kin.depth == 1 and kin.unit == "panel"]
    key = child.key
    kind, value = (key.panel.kind, key.panel.value) if isinstance(key, Slot) else (key.kind, key.value)
    return [
        kin._replace(
            relation="holds", unit="board" if child.unit == "slot" else child.unit or "unknown", kind=kind,
            value=value, position=panels[0].position if len(panels) == 1 else None,
        )
        for kin in above
        if Node(kin.kind, kin.value) in names
    ]  # fmt: skip


class _Span(Value):
    """When something was part of something: first proof, beginning where an event says it, end."""

    first: datetime | None
    begun: datetime | None
    """None: it may have been so long before the first proof."""
    end: datetime | None

    def both(self, other: "_Span") -> "_Span":
        """When this and the other were so."""
        return _Span(
            _later(self.first, other.first), _later(self.begun, other.begun), _sooner(self.end, other.end)
        )

    @property
    def empty(self) -> bool:
        """Whether there is no such time."""
        return self.begun is not None and self.end is not None and self.end <= self.begun


def span(claim: Claim) -> _Span | None:
    """When a claim holds; None where nothing speaks for it."""
    ours = claim.ours
    if not ours:
        return None
    begun = None if ours[0].before else ours[0].time
    return _Span(ours[0].time, begun, ours[-1].time if ours[-1].after is False else None)


def belief_of(claim: Claim) -> Belief:
    """How sure a claim is at its best moment."""
    beliefs = [belief for proof in claim.ours if (belief := claim.at(proof.time))]
    return surest(beliefs) if beliefs else Belief()


def _children(web: Web, thing: Thing) -> set[Knot]:
    found: set[Knot] = set()
    bonds: Iterable[Bond] = (
        bond
        for name in thing.names
        if not isinstance(name, Slot)
        for bond in web.parts.get(web.frame(name), ())
    )
    for bond in bonds:
        units = [knot for knot in bond.knots if unit(knot) not in (None, "slot")]
        slots = [knot for knot in bond.knots if isinstance(knot, Slot)]
        found.update(units or slots or sorted(bond.knots, key=order)[:1])
    return found


def _proofs(claim: Claim) -> tuple[Evidence, ...]:
    return tuple(sorted({claim.ours[0].evidence, claim.ours[-1].evidence}))


def _name(knot: Knot) -> str:
    return f"position {knot.position} of {knot.panel.value}" if isinstance(knot, Slot) else knot.value


def _later(one: datetime | None, other: datetime | None) -> datetime | None:
    times: Sequence[datetime] = [time for time in (one, other) if time is not None]
    return max(times, default=None)


def _sooner(one: datetime | None, other: datetime | None) -> datetime | None:
    times: Sequence[datetime] = [time for time in (one, other) if time is not None]
    return min(times, default=None)

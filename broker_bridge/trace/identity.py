"""The one thing that was asked for: its names, and the panels and assemblies it is part of.

A board is known by its serial, or by panel and position. Whatever else names it is a claim (module claims);
claims that do not go together are findings, never merges.
"""

from collections.abc import Collection, Iterable, Sequence
from typing import Final, Literal

from broker_bridge.trace.assertions import says
from broker_bridge.trace.belief import (
    ASSERTED,
    ASSUMED,
    CUT,
    OBSERVED,
    TORN,
    UNPROVEN,
    Belief,
    Evidence,
    chain,
    conflicting,
    inferred,
    surest,
)  # fmt: skip
from broker_bridge.trace.claims import Claim, Proof, told
from broker_bridge.trace.knots import Bond, Web, unit
from broker_bridge.trace.mentions import UNITS, Knot, Mention, Node, Slot, order
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.value import Value

_WHOLES: Final = {"board": ("panel", "assembly"), "slot": ("panel", "assembly"), "panel": ("assembly",)}
"""What each unit can be part of."""

_DEPTH: Final = 8
"""Assemblies inside assemblies that are followed."""

_MAYBE_CUT: Final = inferred(
    CUT, "its line is the last of a file and has no end: an identifier in it may be cut"
)

Scope = Literal["self", "whole", "member"]


class About(Value):
    """How far a statement is about the thing."""

    belief: Belief
    scope: Scope
    """self: the thing. whole: the panel or assembly it is part of, as a whole. member: one board of this panel."""
    mention: Mention
    unit: str
    """What the statement is about: board, panel, assembly or unknown."""


class Within(Value):
    """A panel or assembly the thing is part of, as far as it is."""

    claim: Claim
    whole: "Thing"


class Thing:
    """One board, panel or assembly, and how to tell which statements are about it."""

    def __init__(self, web: Web, start: Knot, depth: int = 0) -> None:
        self._web = web
        self._counted: dict[Knot, tuple[int, dict[Knot, int]]] = {}
        self.names: frozenset[Knot] = _aliases(web, start)
        self.key: Knot = min(self.names, key=order)
        self.unit = unit(self.key) or ("panel" if self.key in web.parts else None)
        reach = _Reach(web, self.names, self.unit)
        self.claims: dict[Knot, Claim] = {
            knot: _claim(web, self.names, reach, knot) for knot in sorted(reach.levels, key=order)
        }
        self._steady = {knot for knot, claim in self.claims.items() if claim.steady}
        self._labels = frozenset(_labels(web, self.names))
        self.wholes: tuple[Within, ...] = tuple(self._wholes(reach, depth)) if depth < _DEPTH else ()
        self._belongs = [(within, within.claim.steady) for within in self.wholes]
        self._met: frozenset[Knot] = frozenset((*self.names, *self.claims)).union(
            *(within.whole._met for within in self.wholes)
        )
        """All by which a statement can be about it or what it is part of."""

    @property
    def slots(self) -> list[Slot]:
        """The panel positions that are, or were, the thing's."""
        return [knot for knot in (*sorted(self.names, key=order), *self.claims) if isinstance(knot, Slot)]

    def about(self, statement: Statement) -> About | None:
        """Whether and how a statement is about the thing. Of several ways the closest and surest counts."""
        ways = [way for mention in statement.mentions for way in self._ways(statement, mention)]
        if not ways:
            return None
        way = min(ways, key=_closeness) if len(ways) > 1 else ways[0]
        return way._replace(belief=chain(way.belief, _MAYBE_CUT)) if statement.cut else way

    def unplaced(self, statement: Statement) -> bool:
        """Whether a statement is about one board of the thing's panel without saying which."""
        return any(
            mention.panel is not None
            and mention.position is None
            and not mention.names
            and any(self._web.frame(mention.panel.node) in within.whole.names for within in self.wholes)
            for mention in statement.mentions
        )

    def _ways(self, statement: Statement, mention: Mention) -> Iterable[About]:
        knots = self._web.knots(mention)
        if knots.isdisjoint(self._met) and (mention.panel is None or self.unit != "panel"):
            return
        direct = None if knots.isdisjoint(self._met) else self._means(statement, mention, knots)
        if direct is not None:
            yield About(direct, "self", mention, _unit_of(self.key))
        if mention.panel is None:
            for within, steady in self._belongs:
                whole = within.whole._means(statement, mention, knots)
                belonging = (
                    within.claim.freshness(statement.time) if steady else within.claim.at(statement.time)
                )
                if whole is not None and belonging is not None:
                    yield About(chain(whole, belonging), "whole", mention, _unit_of(within.whole.key))
                for outer in within.whole.wholes if belonging is not None else ():
                    yield from _outer(outer, statement, mention, belonging or OBSERVED)
        elif self.unit == "panel" and self._web.frame(mention.panel.node) in self.names:
            yield About(OBSERVED, "member", mention, "board")

    def means(self, statement: Statement, mention: Mention) -> Belief | None:
        """How sure it is that a mention names this very thing; None where it does not."""
        return self._means(statement, mention, self._web.knots(mention))

    def _means(self, statement: Statement, mention: Mention, knots: frozenset[Knot]) -> Belief | None:
        if knots.isdisjoint(self._met):
            return None
        ways: list[Belief] = []
        units = {knot: unit(knot) for knot in knots}
        own = frozenset(knot for knot in knots if units[knot] == self.unit and self.unit != "slot")
        shared = frozenset(knot for knot in knots if units[knot] is None)
        if own and self.unit is not None:
            knots = own  # a name of its own says more than any identifier things may share
        assumed = {name.node for name in mention.names if name.how == "assumed"}
        for knot in knots:
            claim = self.claims.get(knot)
            if knot in self.names:
                belief: Belief | None = self._against(shared) if own else OBSERVED
            elif knot in self._steady and claim is not None:
                belief = claim.freshness(statement.time)
            else:
                belief = claim.at(statement.time) if claim else None
            if belief is None:
                continue
            if isinstance(knot, Node) and knot in assumed:
                belief = chain(belief, inferred(ASSUMED, f"the source assumed that it was {told(knot)}"))
            if isinstance(knot, Slot) and mention.panel is not None and self._labels:
                label = self._web.stated_frame(mention.panel.node)
                if label not in self._labels:
                    belief = chain(
                        belief, inferred(ASSERTED, f"only a person ties {told(label)} to {told(knot.panel)}")
                    )
            ways.append(belief)
        return surest(ways) if ways else None

    def _against(self, shared: frozenset[Knot]) -> Belief:
        """What other identifiers of a mention say against our name in it: a stale code is read with a true one."""
        for knot in sorted(shared, key=order):
            ours, rivals = self._votes(knot)
            if rivals and max(rivals.values()) >= ours:
                rival = min(rivals, key=lambda other: (-rivals[other], order(other)))
                return conflicting(
                    TORN,
                    f"it names {told(knot)} as well, and that goes by {told(rival)} in {rivals[rival]} statements,"
                    f" by this name in {ours}: a stale or wrong read",
                )
        return OBSERVED

    def _votes(self, knot: Knot) -> tuple[int, dict[Knot, int]]:
        """How many statements tie an identifier to us, and how many to others of our kind."""
        if knot not in self._counted:
            ours, rivals = set(), dict[Knot, set[Evidence]]()
            for bond in self._web.bonds.get(knot, ()):
                if bond.asserted:
                    continue
                if bond.knots & self.names:
                    ours.add(bond.statement.evidence)
                    continue
                for other in bond.knots:
                    if unit(other) == self.unit:
                        rivals.setdefault(other, set()).add(bond.statement.evidence)
            self._counted[knot] = len(ours), {other: len(by) for other, by in rivals.items()}
        return self._counted[knot]

    def _wholes(self, reach: "_Reach", depth: int) -> Iterable[Within]:
        allowed = _WHOLES.get(self.unit or "board", ("panel", "assembly"))
        bonds = [bond for knot in (*self.names, *self.claims) for bond in self._web.bonds.get(knot, ())]
        frames = {bond.whole for bond in bonds if bond.whole is not None}
        frames |= {slot.panel for slot in self.slots}
        named_as_one = {self._web.frame(node) for node in reach.others if node.kind in allowed} - frames
        for frame in sorted(frames | named_as_one, key=order):
            if frame in self.names:
                continue
            claim = self._membership(frame, bonds, reach.rivals, frame in named_as_one)
            if claim.ours:
                yield Within(claim, Thing(self._web, frame, depth + 1))

    def _membership(
        self, frame: Node, bonds: Sequence[Bond], rivals: Collection[Knot], named_as_one: bool
    ) -> Claim:
        proofs: dict[Proof, bool] = {}
        for bond in bonds:
            if not (bond.knots & self.names or self._surely(bond, rivals)):
                continue
            before, after = bond.holds
            time, evidence = bond.statement.time, bond.statement.evidence
            here = named_as_one and any(
                isinstance(k, Node) and self._web.frame(k) == frame for k in bond.knots
            )
            if here or bond.whole == frame:
                proofs[Proof(time, evidence, before, after)] = bond.asserted
            elif bond.whole is not None and bond.whole.kind == frame.kind:
                # Elsewhere while the bond holds; after a joining the other whole may still be the true one before.
                proofs[Proof(time, evidence, False if before else None, False if after else None)] = True
        doubts = _doubts(self._web, frame, self.names, only_asserted=all(proofs.values()))
        if named_as_one:
            doubts += (inferred(UNPROVEN, f"it and {told(frame)} go by the same identifier"),)
        return Claim(frame, _unrenewed(_timeline(proofs)), (), doubts)

    def _surely(self, bond: Bond, rivals: Collection[Knot]) -> bool:
        """Whether a bond that does not name us by our own name means us and nobody else."""
        if any(knot in rivals for knot in bond.knots):
            return False
        claims = [self.claims[knot] for knot in bond.knots if knot in self.claims]
        return any(not claim.contested and claim.at(bond.statement.time) is not None for claim in claims)


def resolve(web: Web, asked: Knot) -> list[Thing]:
    """The things an identifier may mean: one where it is clear, several where it is not, none when unknown.

    A name of a board, panel or assembly means that thing. Any other identifier means the one such thing it is
    tied to; tied to several it means none of them for sure. Tied to none it stands for itself.
    """
    if isinstance(asked, Slot):
        asked = Slot(web.frame(asked.panel), asked.position)
    if not web.known(asked):
        return []
    if isinstance(asked, Node) and asked.kind in UNITS:
        return [Thing(web, asked)]
    reach = _Reach(web, frozenset({asked}), unit(asked))
    things: list[Thing] = []
    for node in sorted(reach.others, key=order):
        if not any(node in thing.names for thing in things):
            things.append(Thing(web, node))
    if isinstance(asked, Slot):
        return [thing for thing in things if thing.unit != "panel"] or [Thing(web, asked)]
    if not things:
        things = [Thing(web, slot) for slot in sorted(reach.levels, key=order) if isinstance(slot, Slot)]
    return things or [Thing(web, asked)]


class _Reach:
    """What is tied to some knots, directly or through others; names of other units end a path."""

    def __init__(self, web: Web, start: frozenset[Knot], own: str | None) -> None:
        self.levels: dict[Knot, int] = {}
        self.rivals: set[Knot] = set()
        self.others: set[Node] = set()
        """Names of units: of other kinds than our own, or of any where we have none."""
        self._web, self._start, self._own = web, start, own
        level, ring = 0, sorted(start, key=order)
        while ring:
            level += 1
            ring = self._step(ring, level)
        self.stated = self._stated()

    def _step(self, ring: Sequence[Knot], level: int) -> list[Knot]:
        found: list[Knot] = []
        for knot in ring:
            for other in self._web.neighbours(knot):
                if other in self._start or other in self.levels:
                    continue
                if self._ends(knot, other):
                    continue
                self.levels[other] = level
                found.append(other)
        return found

    def _ends(self, knot: Knot, other: Knot) -> bool:
        kind = unit(other)
        if kind is None or (kind == "slot" and self._own not in ("slot",)):
            return False
        if kind == self._own:
            if knot in self._start and unit(knot) == kind:
                # Named together by a person only; had a source done so it would be one of our own names.
                return False
            self.rivals.add(other)
        elif isinstance(other, Node):
            self.others.add(other)
        return True

    def _stated(self) -> frozenset[Knot]:
        seen: set[Knot] = set()
        agenda: list[Knot] = list(self._start)
        while agenda:
            for other in self._web.neighbours(agenda.pop(), stated_only=True):
                # Another name of our own kind among the levels is there because a person named it with ours.
                another = self._own not in (None, "slot") and unit(other) == self._own
                if other in self.levels and other not in seen and not another:
                    seen.add(other)
                    agenda.append(other)
        return frozenset(seen)

    def rivals_of(self, knot: Knot) -> tuple[Knot, ...]:
        """The rivals that a knot leads to without passing through us."""
        seen, agenda, found = {knot}, [knot], set()
        while agenda:
            for other in self._web.neighbours(agenda.pop()):
                if other in self.rivals:
                    found.add(other)
                elif other in self.levels and other not in seen:
                    seen.add(other)
                    agenda.append(other)
        return tuple(sorted(found, key=order))


def _labels(web: Web, names: frozenset[Knot]) -> Iterable[Node]:
    """The panel labels, by their stated frames, that statements name together with these names."""
    for knot in names:
        for bond in web.bonds.get(knot, ()):
            for mention in bond.statement.mentions:
                if mention.role == "parent":
                    yield from (web.stated_frame(name.node) for name in mention.names)
                elif mention.panel is not None and bond.knots & web.knots(mention):
                    yield web.stated_frame(mention.panel.node)


def _aliases(web: Web, start: Knot) -> frozenset[Knot]:
    """All names of one kind that sources named together with this one, directly or in steps."""
    seen, agenda = {start}, [start]
    kind = unit(start)
    while agenda and kind is not None:
        for other in web.neighbours(agenda.pop(), stated_only=True):
            if unit(other) == kind and other not in seen and kind != "slot":
                seen.add(other)
                agenda.append(other)
    return frozenset(seen)


def _claim(web: Web, names: frozenset[Knot], reach: _Reach, knot: Knot) -> Claim:
    level = reach.levels[knot]
    rivals = frozenset(reach.rivals)
    proofs: set[Proof] = set()

    def ours(others: frozenset[Knot]) -> bool:
        return bool(others & names) or any(reach.levels.get(other, level) < level for other in others)

    for bond in web.bonds.get(knot, ()):
        before, after = bond.slot_holds if isinstance(knot, Slot) else (True, True)
        if bond.knots & rivals:
            mine: tuple[bool | None, bool | None] = (False if before else None, False if after else None)
        elif ours(bond.knots - {knot}):
            mine = (before, after)
        else:
            continue
        proofs.add(Proof(bond.statement.time, bond.statement.evidence, *mine))
    if isinstance(knot, Slot):
        for slot in reach.levels:
            if isinstance(slot, Slot) and slot != knot:
                for bond in web.bonds.get(slot, ()):
                    if ours(bond.knots - {slot}) and knot not in bond.knots:
                        before, after = bond.slot_holds
                        elsewhere = (False if before else None, False if after else None)
                        proofs.add(Proof(bond.statement.time, bond.statement.evidence, *elsewhere))
    settled = any(bond.knots & rivals for bond in web.bonds.get(knot, ()))
    doubts = _doubts(web, knot, names, only_asserted=knot not in reach.stated)
    return Claim(knot, _timeline(proofs), reach.rivals_of(knot), doubts, settled)


def _timeline(proofs: Iterable[Proof]) -> tuple[Proof, ...]:
    # At one moment a joining comes first and a separation last, so that neither looks like a contradiction.
    rank = {(False, True): 0, (True, True): 1, (True, False): 2}
    return tuple(
        sorted(
            set(proofs),
            key=lambda proof: (
                proof.time,
                rank.get((bool(proof.before), bool(proof.after)), 3),
                proof.evidence,
            ),
        )
    )


def _unrenewed(proofs: Iterable[Proof]) -> tuple[Proof, ...]:
    """Without proofs after the thing was taken out: its panel is still named then, as what it was part of."""
    kept: list[Proof] = []
    out = False
    for proof in proofs:
        if out and proof.before and proof.after:
            continue
        kept.append(proof)
        if proof.after:
            out = False
        elif proof.before and proof.after is False:
            out = True
    return tuple(kept)


def _doubts(web: Web, knot: Knot, names: frozenset[Knot], *, only_asserted: bool) -> tuple[Belief, ...]:
    doubts: list[Belief] = []
    if only_asserted:
        doubts.append(inferred(ASSERTED, f"only a person ties {told(knot)} to it"))
    for bond in web.denials:
        apart = bond.knots | ({bond.whole} if bond.whole else set())
        if knot in apart and apart & names:
            doubts.append(conflicting(TORN, f"{told(knot)} is tied to it, but {says(bond.statement)}"))
            break
    return tuple(doubts)


def _outer(within: Within, statement: Statement, mention: Mention, belief: Belief) -> Iterable[About]:
    whole = within.whole.means(statement, mention)
    belonging = within.claim.at(statement.time)
    if belonging is None:
        return
    if whole is not None:
        yield About(chain(belief, whole, belonging), "whole", mention, _unit_of(within.whole.key))
    for outer in within.whole.wholes:
        yield from _outer(outer, statement, mention, chain(belief, belonging))


def _unit_of(knot: Knot) -> str:
    kind = unit(knot)
    return "board" if kind == "slot" else kind or "unknown"


_CLOSENESS: Final = {"self": 0, "whole": 1, "member": 2}
_SURENESS: Final = {"observed": 0, "inferred": 1, "conflicting": 2}


def _closeness(about: About) -> tuple[int, int, float, str, str]:
    belief = about.belief
    return (
        _CLOSENESS[about.scope],
        _SURENESS[belief.certainty],
        -(belief.probability or 0.0),
        belief.reason or "",
        repr(about.mention),
    )

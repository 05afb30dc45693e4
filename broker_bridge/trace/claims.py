"""Whether an identifier means this board at a given time, judged by the proofs around that time.

A proof is a statement that names the identifier together with something known to be ours, or known to be
another's. An identifier nobody else claims is ours throughout. One that others claim too is ours only where the
nearest proofs before and after agree, and even then it is inferred.
"""

from bisect import bisect_left, bisect_right
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.trace.belief import (
    BRACKETED,
    OBSERVED,
    STALE,
    TORN,
    Belief,
    Evidence,
    chain,
    conflicting,
    inferred,
)  # fmt: skip
from broker_bridge.trace.mentions import Knot, Slot
from broker_bridge.trace.value import Value

TRANSFER_LIFE: Final = timedelta(hours=24)
"""A transfer identifier is born at a line's first machine and ends at its last; common practice, no source."""


class Proof(Value):
    """At a time, a statement shows whose the identifier is. None: it does not show it on that side."""

    time: datetime
    evidence: Evidence
    before: bool | None
    """True: ours. False: another's, or nobody's."""
    after: bool | None


class Claim(Value):
    """An identifier, position or whole that is ours, as far as it is."""

    knot: Knot
    proofs: tuple[Proof, ...]
    """In order of time."""
    rivals: tuple[Knot, ...]
    """Others that claim it, themselves or through what it is tied to."""
    doubts: tuple[Belief, ...] = ()
    """What keeps it from being observed at any time."""
    settled: bool = False
    """Rivals are named together with this very knot, so that its proofs tell when it is whose."""

    @property
    def switches(self) -> bool:
        """Whether two neighbouring proofs contradict each other with no event between that explains it."""
        return any(
            one.after is not None and other.before is not None and one.after is not other.before
            for one, other in zip(self.proofs, self.proofs[1:], strict=False)
        )

    @property
    def contested(self) -> bool:
        """Whether somebody else claims it without an event that explains the change of owner."""
        return self.switches or (bool(self.rivals) and not self.settled)

    @property
    def steady(self) -> bool:
        """Whether it means us at any time: every proof says so, nobody else claims it, nothing speaks against it."""
        return (
            bool(self.proofs)
            and not self.doubts
            and not self.contested
            and all(proof.before and proof.after for proof in self.proofs)
        )

    @property
    def ours(self) -> tuple[Proof, ...]:
        """The proofs that speak for us."""
        return tuple(proof for proof in self.proofs if proof.before or proof.after)

    def at(self, time: datetime) -> Belief | None:
        """How sure it is that it means us at this time; None where it does not."""
        verdict = self._verdict(time)
        if verdict is None:
            return None
        return chain(verdict, *self.doubts, self.freshness(time))

    def _verdict(self, time: datetime) -> Belief | None:
        times = [proof.time for proof in self.proofs]
        earlier, later = bisect_right(times, time), bisect_left(times, time)
        votes = {
            self.proofs[index].after if side == "earlier" else self.proofs[index].before
            for side, index in (("earlier", earlier - 1), ("later", later))
            if 0 <= index < len(times)
        } - {None}
        if earlier > later:
            # Proofs at this very moment: what any of them says for us or against us counts.
            votes = {side for proof in self.proofs[later:earlier] for side in (proof.before, proof.after)} - {
                None
            }
        if not votes:
            return None
        if votes == {False} and not (isinstance(self.knot, Slot) and self.ours and self.switches):
            return None
        if votes == {True}:
            if not self.contested:
                return OBSERVED
            return inferred(BRACKETED, f"{told(self.knot)} also names {self._others()} at other times")
        if earlier > later and not self.switches:
            return OBSERVED
        return conflicting(TORN, f"{told(self.knot)} names this and {self._others()} around that time")

    def freshness(self, time: datetime) -> Belief:
        """What the time since it was last proven says against it."""
        if isinstance(self.knot, Slot) or self.knot.kind != "transfer":
            return OBSERVED
        nearest = min((abs(proof.time - time) for proof in self.ours), default=timedelta(0))
        if nearest <= TRANSFER_LIFE:
            return OBSERVED
        hours = round(nearest.total_seconds() / 3600)
        return inferred(
            STALE, f"{told(self.knot)} was last proven {hours} h away and may have been given again"
        )

    def _others(self) -> str:
        named = [told(rival) for rival in self.rivals[:3]] or ["another place"]
        return " and ".join(named) + (f" and {len(self.rivals) - 3} more" if len(self.rivals) > 3 else "")


def told(knot: Knot) -> str:
    """An identifier or position in words."""
    if isinstance(knot, Slot):
        return f"position {knot.position} of {told(knot.panel)}"
    return f"{knot.kind} {knot.value}"

"""How sure a statement is, and what it stands on.

Observed: a source saw it and names the board by an identifier that nobody else claims. Inferred: it follows
from what was observed, with a reason and a probability. Conflicting: what was observed does not go together.

The probabilities are judgements, one constant each, to be replaced by measured ones where truth is known; they
order what is doubtful, they are no statistics.
"""

from collections.abc import Iterable
from typing import Final, Literal

from broker_bridge.trace.value import Value

Certainty = Literal["observed", "inferred", "conflicting"]

ASSERTED: Final = 0.95
"""A person says so, and no machine contradicts."""
BRACKETED: Final = 0.9
"""The identifier has other owners at other times; the proofs before and after agree on this one."""
ASSUMED: Final = 0.7
"""The source did not read the identifier but took it to be this one."""
CUT: Final = 0.9
"""The record is the last of a file that ends without a line end: an identifier in it may be the half of another."""
ONE_END: Final = 0.9
"""A hand-over of which one end says complete and the other says nothing."""
UNPROVEN: Final = 0.8
"""A hand-over of which neither end says how it ended; a review without the time of what it reviews."""
STALE: Final = 0.5
"""A transfer identifier long after it was last proven: it may have been given to another board."""
REPEATED: Final = 0.5
"""The same identifier again at one station with no departure between: another board under a stale read?"""
TORN: Final = 0.5
"""The nearest proofs before and after name different owners."""


class Evidence(Value):
    """An event of the record."""

    source: str
    """Its CloudEvents source."""
    id: str


class Belief(Value):
    """How sure a statement is. `probability` and `reason` are there unless it was observed."""

    certainty: Certainty = "observed"
    probability: float | None = None
    reason: str | None = None


OBSERVED: Final = Belief()


def inferred(probability: float, reason: str) -> Belief:
    """A belief that follows from something."""
    return Belief("inferred", probability, reason)


def conflicting(probability: float, reason: str) -> Belief:
    """A belief in the face of contradiction."""
    return Belief("conflicting", probability, reason)


_RANK: Final = {"observed": 0, "inferred": 1, "conflicting": 2}


def surest(beliefs: Iterable[Belief]) -> Belief:
    """Of several witnesses of one thing, the surest carries it. At least one belief has to be given."""
    return min(beliefs, key=_order)


def chain(*beliefs: Belief) -> Belief:
    """What holds only if all of these hold: as sure as the weakest, probabilities multiplied."""
    doubts = [belief for belief in beliefs if belief.certainty != "observed"]
    if not doubts:
        return OBSERVED
    product = 1.0
    reasons: list[str] = []
    for doubt in doubts:
        product *= 1.0 if doubt.probability is None else doubt.probability
        if doubt.reason and doubt.reason not in reasons:
            reasons.append(doubt.reason)
    weakest = max(doubts, key=lambda doubt: _RANK[doubt.certainty])
    return Belief(weakest.certainty, round(product, 4), "; ".join(reasons))


def _order(belief: Belief) -> tuple[int, float, str]:
    return _RANK[belief.certainty], -(belief.probability or 0.0), belief.reason or ""

"""Coming back: a board at a station where it had been on the same side, by which way, and why."""

from collections.abc import Sequence
from datetime import datetime

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Visit


class Loop(Value):
    """One return to a station."""

    station: str
    side: str | None
    pass_: int
    """Number of the visit with which it came back."""
    left: datetime
    """Last seen there before."""
    back: datetime
    through: tuple[str, ...]
    """Where it was meanwhile, in order; empty: nothing is known of it."""
    why: str | None
    """rework, paste_top_up, wash, by_hand: what was done meanwhile that explains it. None: nothing known does."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


_REASONS = (
    ("inspection.rework_performed", "rework"),
    ("work.washed", "wash"),
    ("inspection.paste_topped_up", "paste_top_up"),
)


def loops(route: Sequence[Visit]) -> list[Loop]:
    """The returns, in order of the coming back."""
    last: dict[tuple[str | None, str | None], int] = {}
    done: dict[str, int] = {}
    """Where each work was done last."""
    found: list[Loop] = []
    for place, visit in enumerate(route):
        before = last.get((visit.station, visit.side))
        last[visit.station, visit.side] = place
        if place:
            done.update(dict.fromkeys(route[place - 1].work, place - 1))
        if before is None or visit.station is None:
            continue
        first, between = route[before], route[before + 1 : place]
        why = next((word for work, word in _REASONS if done.get(work, -1) >= before), None)
        if why is None and (first.left == "removed" or visit.came == "inserted"):
            why = "by_hand"
        doubtful = max((first, visit), key=lambda one: (one.certainty != "observed", one.certainty))
        found.append(
            Loop(
                station=visit.station,
                side=visit.side,
                pass_=visit.pass_,
                left=first.departed or first.arrived,
                back=visit.arrived,
                through=tuple(one.station or "not known where" for one in between),
                why=why,
                certainty=doubtful.certainty,
                probability=doubtful.probability,
                reason=doubtful.reason if doubtful.certainty != "observed" else None,
                evidence=tuple(sorted({*first.evidence, *visit.evidence})),
            )
        )
    return found

"""One visit to a station that puts something on a board, and what is said of the board as a position of its panel."""

from collections.abc import Sequence
from typing import Final

from broker_bridge.trace.belief import OBSERVED, Belief, inferred
from broker_bridge.trace.inspections import Record
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.supply import Supply
from broker_bridge.trace.uses import REWORKED
from broker_bridge.trace.visits import Visit

SKIPPED: Final = 0.5
"""Sources disagree whether the position was skipped."""


class OfPanel:
    """What is said of the thing as a position of its panel."""

    def __init__(self, records: Sequence[Record], position: int | None) -> None:
        """`records` are about the thing; `position` is None where it has none or is a panel."""
        self.position = position
        own = [record for record in records if record.about.scope == "self"]
        self._skips = [r for r in own if r.about.mention.state in ("skipped", "missing")]
        self._works = [r for r in own if _worked(r)]
        self.washes = [r.statement.time for r in records if r.statement.fact.type == "work.washed"]

    def doubt(self, own: Sequence[Record]) -> Belief | None:
        """What speaks against parts on it after a visit; None where it was skipped and nobody says otherwise."""
        here = {r.statement.evidence for r in own}
        skipped = [r for r in self._skips if r.statement.evidence in here]
        worked = [r for r in self._works if r.statement.evidence in here]
        others = [r for r in self._works if r.statement.evidence not in here]
        if skipped and not worked:
            if not others:
                return None
            where = others[0].statement.get("station") or others[0].statement.fact.source
            return inferred(SKIPPED, f"the station says that it skipped the position, {where} worked on it")
        elsewhere = [r for r in self._skips if r.statement.evidence not in here]
        if elsewhere:
            if not worked and not others:
                return None
            where = elsewhere[0].statement.get("station") or elsewhere[0].statement.fact.source
            return inferred(SKIPPED, f"{where} says that the position was skipped, others worked on it")
        return OBSERVED


class At:
    """One visit to a station that puts something on the board."""

    def __init__(
        self,
        number: int,
        line: str,
        stay: Stay,
        visit: Visit,
        own: Sequence[Record],
        supply: Supply,
        board: OfPanel,
    ) -> None:
        self.number, self.line, self.visit = number, line, visit
        """`own` are the records of the visit's witnesses."""
        self.own, self.supply, self.board = own, supply, board
        self.station = visit.station or ""
        work = [w for w in stay.witnesses if w.work is not None] or list(stay.witnesses)
        self.start = min(w.start for w in work)
        self.end = max(w.end for w in work)

    @property
    def doubt(self) -> Belief | None:
        """What speaks against material on the board after it; None where the position was skipped."""
        return self.board.doubt(self.own)

    @property
    def passed(self) -> Belief:
        """How sure the visit is."""
        visit = self.visit
        if visit.certainty == "observed":
            return OBSERVED
        return Belief(
            "conflicting" if visit.certainty == "conflicting" else "inferred", visit.probability, visit.reason
        )

    def where(self, slot: str) -> str:
        """A slot in words."""
        return f"{self.station} slot {slot}"


def _worked(record: Record) -> bool:
    kind = record.statement.fact.type
    outcome: str | None = record.statement.get("outcome")
    if kind == "work.completed":
        return outcome == "completed"
    if kind in ("inspection.completed", "inspection.test_completed"):
        return outcome in ("passed", "failed")
    if record.about.mention.state in ("skipped", "missing"):
        return False
    return kind in (REWORKED, "inspection.reviewed", "material.installed", "board.introduced")

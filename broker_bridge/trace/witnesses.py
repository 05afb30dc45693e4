"""Where and when a statement saw the board.

Only what needs the board to be there counts: a decision is made on paper, and a review may be made from pictures
while the board is elsewhere, unless the desk read the board's own code.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final, Literal

from broker_bridge.trace.assertions import ASSERTED as ASSERTED_TYPE
from broker_bridge.trace.assertions import says
from broker_bridge.trace.belief import (
    ASSERTED,
    OBSERVED,
    ONE_END,
    TORN,
    UNPROVEN,
    Belief,
    chain,
    conflicting,
    inferred,
)  # fmt: skip
from broker_bridge.trace.identity import About
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.value import Value

ABSENT: Final = frozenset(
    {
        "board.asserted", "board.dispositioned", "board.held", "board.magazine_handled", "board.released",
        "board.shipped", "line.declared", "line.part_declared", "source.connected", "source.disconnected",
        "source.answered", "source.gap", "source.rejected", "source.retracted", "work.order_assigned",
    }
)  # fmt: skip
"""Types that are about boards without seeing them at a station."""

Role = Literal["arrived", "present", "departed"]


class Witness(Value):
    """One statement that saw the board at a station, or at one of several."""

    statement: Statement
    belief: Belief
    role: Role
    station: str | None
    candidates: tuple[str, ...]
    """The stations it may have been, where the source does not know which."""
    start: datetime
    end: datetime
    """Equal to `start` for an arrival or departure."""
    lane: int | None
    side: str | None
    """The side worked on, as stated."""
    side_up: str | None
    """The side that faced up."""
    clock: str | None
    """Why its times are doubtful; None where they are not."""
    doubt: Belief | None = None
    """What other statements say against it; it lowers `belief`."""

    def doubted(self, doubt: Belief) -> "Witness":
        """The same, doubted more."""
        whole = doubt if self.doubt is None else chain(self.doubt, doubt)
        return self._replace(belief=chain(self.belief, doubt), doubt=whole)

    @property
    def work(self) -> tuple[object, ...] | None:
        """What tells one piece of work from the next of the same kind; None where it is no work."""
        kind = self.statement.fact.type
        if kind not in WORK:
            return None
        data = self.statement.fact.data
        program = data.get("program") or {}
        return (
            self.statement.fact.source, kind, data.get("method"), data.get("side"), data.get("stage"),
            data.get("fixture"), program.get("name"),
        )  # fmt: skip

    @property
    def test(self) -> tuple[object, ...] | None:
        """What a numbered attempt is an attempt of; None where it is no test."""
        data = self.statement.fact.data
        if self.statement.fact.type != "inspection.test_completed":
            return None
        return self.statement.fact.source, data.get("method"), (data.get("program") or {}).get("name")

    @property
    def attempt(self) -> int | None:
        """Number of the attempt, as stated."""
        number: int | None = self.statement.get("attempt")
        return number


WORK: Final = frozenset(
    {"inspection.completed", "inspection.test_completed", "work.completed", "work.print_attempted"}
)
"""Types of which a second one on the same board needs the board to have come again, or to have been kept."""

_ENDS: Final[Mapping[str, Role]] = {"board.arrived": "arrived", "board.departed": "departed"}


def witnesses(statement: Statement, about: About) -> Iterator[Witness]:
    """What a statement saw. A hand-over of which both ends were seen gives two."""
    kind = statement.fact.type
    if kind == ASSERTED_TYPE:
        yield from _claimed(statement, about)
        return
    if kind in ABSENT or not (statement.get("station") or statement.get("candidates")):
        return
    if kind == "inspection.reviewed" and not _seen_at_desk(statement, about):
        return
    if kind == "board.transferred":
        yield from _handed_over(statement, about)
        return
    role: Role = _ENDS.get(kind, "present")
    start, end = (statement.time, statement.time) if role != "present" else span(statement)
    yield _witness(statement, about, about.belief, role, start, end)


def _claimed(statement: Statement, about: About) -> Iterator[Witness]:
    """What a person says to have seen: worth as much as a person's word, and only with a time."""
    time = statement.instant("happened")
    if statement.get("claim") == "visited" and statement.get("station") and time is not None:
        belief = chain(about.belief, inferred(ASSERTED, says(statement)))
        yield _witness(statement, about, belief, "present", time, time)


def span(statement: Statement) -> tuple[datetime, datetime]:
    """When something was done: start and end as stated, the fact's time standing in for what is not stated."""
    started, ended = statement.instant("started"), statement.instant("ended")
    meaning = statement.time_means
    if started is None and (meaning == "start" or ended is None):
        started = statement.time
    if ended is None:
        ended = statement.time if meaning != "start" else started
    start = started or ended or statement.time
    end = ended or start
    return min(start, end), max(start, end)


def _handed_over(statement: Statement, about: About) -> Iterator[Witness]:
    ending = _ending(statement.get("giver"), statement.get("taker"))
    if ending is None:
        return
    belief = chain(about.belief, ending)
    started = statement.instant("started") or statement.time
    yield _witness(statement, about, belief, "departed", min(started, statement.time), statement.time)
    there = {"station": statement.get("to_station"), "lane": statement.get("to_lane")}
    yield _witness(statement, about, belief, "arrived", statement.time, statement.time, there)


def _seen_at_desk(statement: Statement, about: About) -> bool:
    if statement.get("station") == statement.get("inspected_at"):
        return False
    mention = about.mention
    named = (*mention.names, *((mention.panel,) if mention.panel else ()))
    return any(name.how in ("read", "typed") for name in named)


def _ending(giver: str | None, taker: str | None) -> Belief | None:
    """How sure it is that the board went over; None where both ends agree that it did not."""
    match {giver, taker} - {None}:
        case states if states == {"complete"}:
            if giver and taker:
                return OBSERVED
            return inferred(ONE_END, "only one end of the transfer says that it was completed")
        case states if not states:
            return inferred(UNPROVEN, "neither end of the transfer says how it ended")
        case states if states == {"not_started"}:
            return None
        case _:
            return conflicting(
                TORN,
                f"the transfer ended {giver or 'unsaid'} for the giver, {taker or 'unsaid'} for the taker",
            )


def _witness(
    statement: Statement,
    about: About,
    belief: Belief,
    role: Role,
    start: datetime,
    end: datetime,
    place: Mapping[str, Any] | None = None,
) -> Witness:
    where = statement.fact.data if place is None else place
    return Witness(
        statement=statement,
        belief=belief,
        role=role,
        station=where.get("station"),
        candidates=tuple(sorted(where.get("candidates") or ())),
        start=start,
        end=end,
        lane=where.get("lane"),
        side=where.get("side"),
        side_up=about.mention.side_up or _side_up(statement),
        clock=_clock(statement),
        doubt=None,
    )


def _side_up(statement: Statement) -> str | None:
    """The side that faced up, where a statement says it of the panel only: its boards lie as it lies."""
    sides = {mention.side_up for mention in statement.mentions} - {None}
    return sides.pop() if len(sides) == 1 else None


def _clock(statement: Statement) -> str | None:
    origin = statement.fact.data["origin"]
    doubts = [flag for flag in origin.get("flags") or () if flag in _CLOCK_FLAGS]
    if statement.time_means == "taken_in" and not statement.get("started") and not statement.get("ended"):
        if not origin.get("time_text"):
            return "the source states no time: the time of its intake stands in"
        why = (
            "is too far from the clock of its intake" if SUSPECT in doubts else "cannot be read as an instant"
        )
        return f"the source states a time that is not believed, it {why}: the time of its intake stands in"
    return f"the source's time is doubtful ({', '.join(sorted(doubts))})" if doubts else None


SUSPECT: Final = "clock_suspect"
_CLOCK_FLAGS: Final = frozenset({"ambiguous_time", SUSPECT, "nonexistent_time"})

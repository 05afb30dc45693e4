"""A count by hand against the record: what passed a station in a window, where the two may differ, and why.

A comparison and no release. What is counted are pieces that a person at the station sees: a panel counts once.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.gaps import Gap, Source
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.statements import instant
from broker_bridge.trace.value import Value

CAUTION: Final = (
    "This compares a count with the record. It is no release of product, and no proof that either is right."
)
COUNTING: Final = ("departed", "arrived", "inspected")
"""What may be counted, the best first."""


class Tally(Value):
    """How many pieces, and how sure the record is of them."""

    observed: int
    inferred: int
    conflicting: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.observed + self.inferred + self.conflicting


class Passage(Value):
    """One piece at the station."""

    kind: str
    value: str
    position: int | None
    """Where it is known only as a position of a panel."""
    lane: int | None
    what: str
    """departed, arrived or inspected"""
    time: datetime
    certainty: str
    reason: str | None
    evidence: tuple[Evidence, ...]


class Near(Value):
    """A piece close to a limit of the window: a clock that differs moves it over."""

    passage: Passage
    limit: datetime
    seconds: float
    """From the limit: below 0 before it."""
    inside: bool
    """Whether the record counts it into the window."""


class Counter(Value):
    """A counter of the machine itself, as its events state it."""

    name: str
    first: float
    last: float
    increase: float
    """Over the window; a counter that falls back began anew."""
    statements: int


class Unnamed(Value):
    """Statements about pieces that nobody names: they may be counted by hand and stand for no board here."""

    type: str
    statements: int
    first: datetime
    last: datetime


class Acceptance(Value):
    """The comparison."""

    station: str
    lane: int | None
    """None: all lanes."""
    from_: datetime
    to: datetime
    counting: str
    """What the count by hand is held against: departed, arrived or inspected."""
    counted: int
    recorded: int
    difference: int
    """Recorded less counted."""
    arrived: Tally
    departed: Tally
    inspected: Tally
    passages: tuple[Passage, ...]
    """The pieces that make up `recorded`, in order of time."""
    near: tuple[Near, ...]
    counters: tuple[Counter, ...]
    unnamed: tuple[Unnamed, ...]
    undecided: tuple[str, ...]
    """Identifiers that name several things: their pieces are not counted."""
    gaps: tuple[Gap, ...]
    sources: tuple[Source, ...]
    behind: tuple[str, ...]
    """Sources of the line that had said nothing yet of the end of the window when the record was read."""
    near_s: float
    agrees: bool
    """The counts agree, and nothing in the window may be missing."""
    as_of: AsOf
    digest: str
    """SHA-256 over the leaf hashes of all events of the record up to this commit."""
    caution: str = CAUTION


class Window(Value):
    """What was counted by hand: where, when, how many."""

    station: str
    lane: int | None
    from_: datetime
    to: datetime
    counted: int
    counting: str | None = None
    """None: the best that the record has."""


def compare(
    window: Window,
    histories: Iterable[History],
    facts: Sequence[Fact],
    *,
    gaps: Sequence[Gap],
    sources: Sequence[Source],
    behind: Sequence[str],
    undecided: Sequence[str],
    near_s: float,
    as_of: AsOf,
    digest: str,
) -> Acceptance:
    """The comparison. `facts` are what was said of the station around the window, holding revisions only."""
    seen = {what: list[Passage]() for what in COUNTING}
    inspected = {Evidence(fact.source, fact.id): instant(fact.time) for fact in facts if fact.type in _LOOKS}
    for history in histories:
        for passage in passages(history, window.station, inspected):
            if window.lane in (None, passage.lane) or passage.lane is None:
                seen[passage.what].append(passage)
    inside = {
        what: sorted(
            (p for p in found if window.from_ <= p.time < window.to), key=lambda p: (p.time, p.value)
        )
        for what, found in seen.items()
    }
    counting = window.counting or _best(inside, seen)
    recorded = len(inside[counting])
    near = _near(seen[counting], window, near_s)
    unnamed = _unnamed(facts, window)
    missing = any(source.missing for source in sources)
    return Acceptance(
        station=window.station,
        lane=window.lane,
        from_=window.from_,
        to=window.to,
        counting=counting,
        counted=window.counted,
        recorded=recorded,
        difference=recorded - window.counted,
        arrived=_tally(inside["arrived"]),
        departed=_tally(inside["departed"]),
        inspected=_tally(inside["inspected"]),
        passages=tuple(inside[counting]),
        near=tuple(near),
        counters=tuple(_counters(facts, window)),
        unnamed=tuple(unnamed),
        undecided=tuple(undecided),
        gaps=tuple(gaps),
        sources=tuple(sources),
        behind=tuple(behind),
        near_s=near_s,
        agrees=recorded == window.counted and not gaps and not behind and not undecided and not missing,
        as_of=as_of,
        digest=digest,
    )


def passages(history: History, station: str, inspected: Mapping[Evidence, datetime]) -> Iterable[Passage]:
    """What a history tells of a station: arrivals, departures and inspections.

    `inspected`: times of the inspections around; the boards of a panel are inspected as one piece.
    """
    key = history.identity.key
    who = (key.kind, key.value, key.position)
    for visit in history.route:
        if visit.station != station:
            continue
        yield Passage(
            *who, visit.lane, "arrived", visit.arrived, _weaker(visit.certainty, visit.arrived_certainty),
            visit.reason, visit.evidence,
        )  # fmt: skip
        looked = max((inspected[one] for one in visit.evidence if one in inspected), default=None)
        if looked is not None:
            yield Passage(
                *who, visit.lane, "inspected", looked, visit.certainty, visit.reason, visit.evidence
            )
        if visit.departed is not None:
            yield Passage(
                *who, visit.lane, "departed", visit.departed, _weaker(visit.certainty, visit.departed_certainty),
                visit.reason, visit.evidence,
            )  # fmt: skip


def _weaker(one: str, other: str) -> str:
    scale = ("conflicting", "inferred", "observed")
    return next(word for word in scale if word in (one, other)) if {one, other} & set(scale) else "inferred"


def _best(inside: dict[str, list[Passage]], seen: dict[str, list[Passage]]) -> str:
    """What the record saw best: ends that were observed before ends that were inferred."""
    for found in (inside, seen):
        for what in COUNTING:
            if any(passage.certainty == "observed" for passage in found[what]):
                return what
    return max(COUNTING, key=lambda what: len(inside[what]))


def _tally(found: Sequence[Passage]) -> Tally:
    count = {word: sum(p.certainty == word for p in found) for word in ("observed", "conflicting")}
    return Tally(count["observed"], len(found) - sum(count.values()), count["conflicting"])


def _near(found: Sequence[Passage], window: Window, near_s: float) -> list[Near]:
    reach = timedelta(seconds=near_s)
    near = [
        Near(passage, limit, (passage.time - limit).total_seconds(), window.from_ <= passage.time < window.to)
        for limit in (window.from_, window.to)
        for passage in found
        if abs(passage.time - limit) <= reach
    ]
    return sorted(near, key=lambda one: (one.passage.time, one.passage.value))


_LOOKS: Final = frozenset({"inspection.completed", "inspection.test_completed"})
_PASSING: Final = ("board.arrived", "board.departed", "board.transferred", "inspection.completed",
                   "inspection.test_completed", "work.completed", "work.print_attempted")  # fmt: skip


def names(fact: Fact) -> bool:
    """Whether a fact names at least one piece."""
    boards = fact.data.get("boards") or ()
    return any(board.get("identifiers") or board.get("panel") for board in boards)


def _unnamed(facts: Sequence[Fact], window: Window) -> list[Unnamed]:
    times: dict[str, list[datetime]] = {}
    for fact in facts:
        time = instant(fact.time)
        if fact.type in _PASSING and window.from_ <= time < window.to and not names(fact):
            times.setdefault(fact.type, []).append(time)
    return [Unnamed(kind, len(found), min(found), max(found)) for kind, found in sorted(times.items())]


_COUNTERS: Final = ("count", "counter", "boards", "panels", "pieces", "total", "produced")


def _counters(facts: Sequence[Fact], window: Window) -> list[Counter]:
    """Counters among the values that the station's own events state in the window."""
    told: dict[str, list[float]] = {}
    for fact in sorted(facts, key=lambda fact: (fact.time, fact.number)):
        if not window.from_ <= instant(fact.time) < window.to:
            continue
        for value in fact.data.get("values") or ():
            number, name = value.get("value"), value["name"]
            if number is not None and any(
                word in _COUNTERS for word in name.lower().replace("-", "_").split("_")
            ):
                told.setdefault(name, []).append(number)
    return [
        Counter(
            name, found[0], found[-1],
            sum(later - before if later >= before else later for before, later in pairwise(found)),
            len(found),
        )
        for name, found in sorted(told.items())
        if len(found) > 1
    ]  # fmt: skip

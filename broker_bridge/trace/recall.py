"""Which boards something was used on: those for sure, those that may be, and what would decide.

An exact member is one of which a source tells it as observed. A possible one has a reason, and where a person could
decide it, what there is to confirm. The set is bounded where everything that may be missing was widened over; else it
says why it is not.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.history import AsOf
from broker_bridge.trace.value import Value

CAUTION: Final = (
    "An empty or short list is not a release: the plant's procedure and its authorised people decide what is held,"
    " and what may go on."
)

SOUGHT: Final = frozenset({"in_process", "not_accounted_for", "held"})
"""States in which a board is looked for where it was seen last."""

_COUNTED: Final = {"left_line": "have left their line"}


class Asked(Value):
    """What was asked for; absent fields were not."""

    text: str | None = None
    """Taken in every kind in which it is known."""
    lot: str | None = None
    container: str | None = None
    """A reel, tray, jar or bag by the plant's own id."""
    tool: str | None = None
    program: str | None = None
    program_revision: str | None = None
    equipment: str | None = None
    station: str | None = None
    from_: datetime | None = None
    to: datetime | None = None
    exceeded: bool = False
    """Whatever was used beyond its floor life or shelf life."""
    part: str | None = None
    """Narrows a lot that the record does not know to one part number."""


class Use(Value):
    """How one member has it: where, and for which places."""

    station: str | None
    side: str | None
    slot: str | None
    designators: tuple[str, ...]
    from_: datetime
    to: datetime | None
    now: bool
    """Whether it carries it still."""
    certainty: str
    probability: float | None
    reason: str | None
    confirm: str | None


class Member(Value):
    """A board, or a thing of which only less is known."""

    kind: str
    value: str
    position: int | None
    unit: str
    """board, panel, assembly or unknown"""
    panel: str | None
    panel_position: int | None
    part: str | None
    work_orders: tuple[str, ...]
    purpose: str | None
    state: str
    """in_process, left_line (its declared line; what came then is not known), not_accounted_for (not heard of for long),
    held, shipped, scrapped or returned"""
    station: str | None
    """Where it was seen last."""
    there: bool
    """Whether nothing shows that it has left there."""
    since: datetime | None
    end: str | None
    """What it left last: `end of line-1`; None: nothing shows that it has left its line, or it came back."""
    uses: tuple[Use, ...]


class Reason(Value):
    """Why members are possible only."""

    reason: str
    confirm: str | None
    members: int


class Shrink(Value):
    """What a person could confirm, and how many possible members would be left."""

    confirm: str
    from_: int
    to: int


class Now(Value):
    """How many members are in a state."""

    state: str
    station: str | None
    end: str | None
    """What those left that left their line."""
    exact: int
    possible: int


class Answer(Value):
    """Where something was used."""

    asked: Asked
    took: tuple[str, ...]
    """As what the text was taken: lot, container, stencil, program ..."""
    summary: str
    """The answer in one sentence."""
    exact: tuple[Member, ...]
    possible: tuple[Member, ...]
    reasons: tuple[Reason, ...]
    now: tuple[Now, ...]
    shrink: tuple[Shrink, ...]
    bounded: bool
    """Whether no other board can be concerned, as far as the record goes."""
    unbounded: tuple[str, ...]
    """Why it is not."""
    notes: tuple[str, ...]
    caution: str
    as_of: AsOf


def answer(
    asked: Asked,
    took: Sequence[str],
    members: Iterable[Member],
    unbounded: Sequence[str],
    notes: Sequence[str],
    as_of: AsOf,
) -> Answer:
    """Put it together: members in order of their names, the surest use of each decides."""
    ordered = sorted(members, key=lambda m: (m.kind, m.value, m.position or 0))
    exact = tuple(m for m in ordered if any(use.certainty == "observed" for use in m.uses))
    possible = tuple(m for m in ordered if not any(use.certainty == "observed" for use in m.uses))
    return Answer(
        asked=asked,
        took=tuple(took),
        summary=_summary(asked, took, exact, possible, not unbounded),
        exact=exact,
        possible=possible,
        reasons=tuple(_reasons(possible)),
        now=tuple(_now(exact, possible)),
        shrink=tuple(_shrink(possible)),
        bounded=not unbounded,
        unbounded=tuple(unbounded),
        notes=tuple(notes),
        caution=CAUTION,
        as_of=as_of,
    )


def place_words(state: str, end: str | None, station: str | None, since: str = "") -> str:
    """A state and where such a board was seen last: `left the end of line-1 at ...`, `in process, last seen at aoi`."""
    left = f"left the {end}" if end else ""
    if state == "left_line":
        return f"{left or 'left its line'}{' at ' + since if since else ''}"
    when = f" since {since}" if since else ""
    head = state.replace("_", " ")
    if state not in SOUGHT:
        return head + when
    seen = left or (f"last seen at {station}" if station else "")
    if state == "held":
        return f"{head}{when}, {seen}" if seen else head + when
    return f"{head}, {seen}{when}" if seen else head + when


def named(asked: Asked) -> str:
    """What was asked for, in words."""
    said = [
        asked.text,
        asked.lot and f"lot {asked.lot}",
        asked.container and f"reel or container {asked.container}",
        asked.tool and f"tool {asked.tool}",
        asked.program and f"program {asked.program}",
        asked.program_revision and f"revision {asked.program_revision}",
        asked.equipment and f"equipment {asked.equipment}",
        asked.station and f"station {asked.station}",
        asked.from_ and f"from {asked.from_:%Y-%m-%d %H:%M:%S}",
        asked.exceeded and "material beyond its floor life or shelf life",
        asked.to and f"to {asked.to:%Y-%m-%d %H:%M:%S}",
    ]
    return " ".join(word for word in said if word)


def _summary(
    asked: Asked, took: Sequence[str], exact: Sequence[Member], possible: Sequence[Member], bounded: bool
) -> str:
    kinds = f" (taken as {', '.join(took)})" if asked.text and took else ""
    if not exact and not possible:
        head = f"No board is known on which {named(asked)}{kinds} was used"
    else:
        head = f"{named(asked)}{kinds}: {_count(len(exact), 'board')} for sure, {len(possible)} more possible"
        carried = sum(any(use.now for use in m.uses) for m in (*exact, *possible))
        gone = len(exact) + len(possible) - carried
        if gone and carried:
            head += f"; {gone} of them carry it no more"
        states = Counter(_COUNTED.get(m.state, m.state.replace("_", " ")) for m in (*exact, *possible))
        told = ", ".join(f"{count} {state}" for state, count in sorted(states.items()))
        head += f"; {told}"
    return f"{head}. {'The list is bounded' if bounded else 'The list is NOT BOUNDED: there may be more'}."


def _reasons(possible: Sequence[Member]) -> list[Reason]:
    counted: Counter[tuple[str, str | None]] = Counter()
    for member in possible:
        counted.update({(use.reason or "", use.confirm) for use in member.uses})
    ordered = sorted(counted.items(), key=lambda pair: (-pair[1], pair[0][0], pair[0][1] or ""))
    return [Reason(reason, confirm, count) for (reason, confirm), count in ordered]


def _shrink(possible: Sequence[Member]) -> list[Shrink]:
    """A member leaves the possible ones when all that makes it possible is decided by one confirmation."""
    decided: Counter[str] = Counter()
    for member in possible:
        asked = {use.confirm for use in member.uses}
        if len(asked) == 1 and (confirm := next(iter(asked))) is not None:
            decided[confirm] += 1
    total = len(possible)
    ordered = sorted(decided.items(), key=lambda pair: (-pair[1], pair[0]))
    return [Shrink(confirm, total, total - count) for confirm, count in ordered]


def _now(exact: Sequence[Member], possible: Sequence[Member]) -> list[Now]:
    counted: dict[tuple[str, str | None, str | None], list[int]] = defaultdict(lambda: [0, 0])
    for place, members in enumerate((exact, possible)):
        for member in members:
            station = member.station if member.state in SOUGHT else None
            end = member.end if member.state == "left_line" else None
            counted[member.state, station, end][place] += 1
    ordered = sorted(counted.items(), key=lambda pair: tuple(part or "" for part in pair[0]))
    return [Now(state, station, end, *counts) for (state, station, end), counts in ordered]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"

"""What a station had set up: by slot, who said so, and what was possible there while a board was worked on.

Nothing is taken for set up because it was planned. A set-up that nobody proved leaves every lot possible since the
last proof; what was there when the recording began is unknown, not none; a splice leaves both reels possible until
one of them is seen alone; a gap of the source widens.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace.belief import OBSERVED, Belief, Evidence, inferred
from broker_bridge.trace.gaps import EVER, NEVER, extent, undated
from broker_bridge.trace.statements import Statement, instant
from broker_bridge.trace.value import Value

FOLLOWED: Final = 0.95
"""Set up and proven, and nothing has shown yet what was there afterwards."""
ACROSS: Final = 0.9
"""The same before and after, with a gap of the source between; a set-up of which the source states no proof."""
SPLIT: Final = 0.5
"""One of two, as before and after a splice or an unseen change."""
GUESSED: Final = 0.3
"""What an unproven set-up states, or what was there before it."""
ANY: Final = 0.1
"""Any reel of the part: nobody knows which."""

SLOT: Final = "slot"
PASTE: Final = "paste"
PROGRAM: Final = "program"
LOADED: Final = "loaded"
"""Families: what is at slots, the paste on a stencil, what a program takes from where, which program was loaded."""

PLANNED: Final = "material.planned"
CHANGED: Final = "station.program_changed"

_SLOTTED: Final = {
    "material.set_up": "set_up",
    "material.removed": "removed",
    "material.spliced": "spliced",
    "material.low": "low",
    "material.installed": "fed",
}


class Stuff(Value):
    """A reel or container, as far as it was named."""

    id: str | None = None
    part: str | None = None
    lots: tuple[str, ...] = ()
    date_code: str | None = None
    maker: str | None = None
    maker_part: str | None = None
    supplier: str | None = None
    receipt: str | None = None
    parent: str | None = None
    container: str | None = None
    expires: datetime | None = None

    @classmethod
    def of(cls, stated: dict[str, Any]) -> "Stuff":
        """What an event states of it."""
        return cls(
            stated.get("id"), stated.get("part"), tuple(stated.get("lots") or ()), stated.get("date_code"),
            stated.get("maker"), stated.get("maker_part"), stated.get("supplier"), stated.get("receipt"),
            stated.get("parent"), stated.get("container"),
            instant(stated["expires"]) if stated.get("expires") else None,
        )  # fmt: skip

    @property
    def named(self) -> bool:
        """Whether it is known which it is."""
        return bool(self.id or self.lots)

    def same(self, other: "Stuff") -> bool:
        """Whether both are one reel or container, as far as they are named."""
        if self.id or other.id:
            return self.id == other.id
        return self.lots == other.lots and self.part in (other.part, None)


class Mark(Value):
    """One statement about a slot, the paste on a stencil, or the program of a station."""

    statement: Statement
    family: str
    slot: str
    said: str
    """set_up, removed, spliced, low or fed; replenished, cleaned or printed."""
    stuff: Stuff
    proven: bool
    """From here on it is known what is there, whatever was before."""

    @property
    def time(self) -> datetime:
        """When."""
        return self.statement.time


class Choice(Value):
    """What may have been at a slot, or on a stencil."""

    stuff: Stuff
    """Without id and lots: any of this part, nobody knows which."""
    belief: Belief
    confirm: str | None
    """What a person would have to confirm for this to be decided."""
    evidence: tuple[Evidence, ...]


class Possible(Value):
    """All that may have been at a slot in a time; exactly one of it was there, on a stencil any of it."""

    choices: tuple[Choice, ...]
    since: datetime
    until: datetime
    """Statements from `since` to `until` decide this; EVER and NEVER where none came before or after."""


def mark(statement: Statement) -> Mark | None:
    """What a statement says about what is set up; None where it says nothing."""
    found = marked(statement.fact)
    if found is None:
        return None
    family, slot, said, proven = found
    stated = statement.get("paste") if said == "printed" else statement.get("material")
    return Mark(statement, family, slot, said, Stuff.of(stated or {}), proven)


def marked(fact: Fact) -> tuple[str, str, str, bool] | None:
    """Family, slot, what is said, and whether it proves what is there."""
    data = fact.data
    if data.get("station") is None:
        return None
    said = _SLOTTED.get(fact.type)
    if said is not None:
        slot = (data.get("feeding") or {}).get("slot")
        if slot is None:
            return None
        material = data["material"]
        named = bool(material.get("id") or material.get("lots"))
        if said == "set_up":
            proven = named and data.get("proof") == "verified" and not data.get("found")
        else:
            # What was fed proves no more: behind a splice the old reel is fed for a while.
            proven = said == "removed"
        return SLOT, slot, said, proven
    match fact.type:
        case "material.replenished":
            return PASTE, "", "replenished", False
        case "work.stencil_cleaned" if data.get("paste_removed"):
            return PASTE, "", "cleaned", True
        case "work.print_attempted" if data.get("paste"):
            return PASTE, "", "printed", False
    return None


def possible(
    marks: Sequence[Mark], gaps: Iterable[Statement], start: datetime, end: datetime, where: str
) -> Possible:
    """What may have been at a slot from `start` to `end`.

    `marks` are of this slot, in order of time, from the last proof at or before `start` or earlier on, to the first
    behind `end` or later; `gaps` the times in which its source could not say. `where` names the slot in sentences.
    """
    before = [m for m in marks if m.time <= start]
    anchor = next((place for place in range(len(before) - 1, -1, -1) if before[place].proven), None)
    inside = [m for m in marks if start < m.time <= end]
    after = next((m for m in marks if m.time > end), None)
    since = before[anchor].time if anchor is not None else EVER
    until = after.time if after is not None else NEVER
    state = _State(where)
    if anchor is None:
        state.begin()
    for m in before[anchor or 0 :]:
        state.take(m)
    if after is not None:
        state.look_back(after, bool(inside))
    found = state.choices()
    for m in inside:
        state.take(m)
        for choice in state.choices():
            if not any(known.stuff.same(choice.stuff) for known in found):
                found.append(choice)
    if len(found) > 1:
        found = [_one_of(choice, len(found)) for choice in found]
    if len(found) == 1 and after is None:
        found = [
            _lowered(found[0], inferred(FOLLOWED, "proven before; nothing has shown since what was there"))
        ]
    gap = next((g for g in gaps if _overlaps(g, since, until)), None)
    if gap is not None:
        why = (
            f"{where}: its source has a gap about {extent(gap)[0]:%Y-%m-%d %H:%M}"
            if extent(gap)[0] != EVER
            else f"{where}: its source has a gap"
        )
        found = [_lowered(choice, inferred(ACROSS, why)) for choice in found]
    return Possible(tuple(found), since, until)


class _State:
    """What may be at the slot, mark by mark."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._known: list[Choice] = []
        self._splice: Mark | None = None

    def choices(self) -> list[Choice]:
        """All that is possible now; nothing at all where the slot is empty and was seen so."""
        return list(self._known)

    def begin(self) -> None:
        """Before the first statement."""
        self._known = [
            Choice(
                Stuff(),
                inferred(ANY, f"{self._where}: set up before the record begins"),
                f"confirm what was at {self._where} when the record begins",
                (),
            )
        ]

    def take(self, m: Mark) -> None:
        """One statement more."""
        stuff, own = m.stuff, (m.statement.evidence,)
        match m.said:
            case "set_up" if m.proven:
                self._only(Choice(stuff, OBSERVED, None, own))
            case "set_up" if stuff.named and m.statement.get("proof") in (None, "not_stated", "verified"):
                why = f"{self._where}: the source does not say that the set-up of {_clock(m)} was proven"
                self._only(Choice(stuff, inferred(ACROSS, why), None, own))
            case "set_up":
                self._unproven(m, "set-up")
            case "removed":
                self._known, self._splice = [], None
            case "spliced":
                self._spliced(m)
            case "low" | "fed" if stuff.named:
                self._seen(m)
            case _:
                self._any(m, f"{self._where}: at {_clock(m)} the machine did not know which reel it was", own)

    def look_back(self, m: Mark, changed: bool) -> None:
        """What the next statement shows of the time before it; `changed` where others came between."""
        stuff = m.stuff if m.said in ("removed", "low", "fed") else _previous(m)
        if stuff is None or not stuff.named or changed:
            return
        own = (m.statement.evidence,)
        here = next((choice for choice in self._known if choice.stuff.same(stuff)), None)
        open_ = any(not choice.stuff.named for choice in self._known)
        if here is not None and self._splice is not None and not self._splice.stuff.same(stuff):
            self._only(Choice(here.stuff, here.belief, None, tuple(sorted({*here.evidence, *own}))))
        elif here is not None and self._splice is None and not open_ and len(self._known) == 1:
            self._known = [here._replace(evidence=tuple(sorted({*here.evidence, *own})))]
        elif here is None:
            why = f"{self._where}: an unseen change before {_clock(m)}"
            ask = f"confirm when {_told(stuff)} came to {self._where} before {_clock(m)}"
            new = Choice(stuff, inferred(SPLIT, why), ask, own)
            self._known = [
                choice
                if choice.belief.certainty != "observed"
                else _lowered(choice, inferred(SPLIT, why), ask)
                for choice in self._known
            ] + [new]

    def _only(self, choice: Choice) -> None:
        self._known, self._splice = [choice], None

    def _seen(self, m: Mark) -> None:
        seen = Choice(m.stuff, OBSERVED, None, (m.statement.evidence,))
        if self._splice is not None and not self._splice.stuff.same(m.stuff):
            # Still the old reel: the new one comes when it has run out.
            joined = next(choice for choice in self._known if choice.stuff.same(self._splice.stuff))
            self._known = [seen, joined]
        else:
            self._only(seen)

    def _spliced(self, m: Mark) -> None:
        if not m.stuff.named or m.statement.get("proof") in ("bypassed", "failed"):
            self._unproven(m, "splice")
            return
        ask = f"confirm the splice at {self._where} of {_clock(m)}"
        belief = inferred(SPLIT, f"{self._where}: before or behind the splice of {_clock(m)}")
        self._known = [
            choice._replace(belief=belief, confirm=ask) if choice.belief.certainty == "observed" else choice
            for choice in self._known
            if not choice.stuff.same(m.stuff)
        ] + [Choice(m.stuff, belief, ask, (m.statement.evidence,))]
        self._splice = m

    def _unproven(self, m: Mark, what: str) -> None:
        ask = f"confirm the {what} at {self._where} of {_clock(m)}"
        why = f"{self._where}: the {what} of {_clock(m)} was not proven: any lot since the last proof"
        guess = inferred(GUESSED, why)
        kept = [
            choice._replace(belief=guess, confirm=ask)
            for choice in self._known
            if choice.stuff.named and not choice.stuff.same(m.stuff)
        ]
        if m.stuff.named:
            kept.append(Choice(m.stuff, guess, ask, (m.statement.evidence,)))
        unknown = Choice(Stuff(part=m.stuff.part), inferred(ANY, why), ask, (m.statement.evidence,))
        self._known = [*kept, unknown]
        self._splice = None

    def _any(self, m: Mark, why: str, own: tuple[Evidence, ...]) -> None:
        if any(not choice.stuff.named for choice in self._known):
            return
        ask = f"confirm what was at {self._where} at {_clock(m)}"
        self._known = [_lowered(choice, inferred(SPLIT, why), ask) for choice in self._known] + [
            Choice(Stuff(part=m.stuff.part), inferred(ANY, why), ask, own)
        ]


def _previous(m: Mark) -> Stuff | None:
    previous = m.statement.get("previous") if m.said == "spliced" else None
    return Stuff.of(previous) if previous else None


def _one_of(choice: Choice, count: int) -> Choice:
    if choice.belief.certainty != "observed":
        return choice
    return choice._replace(belief=inferred(round(1 / count, 4), f"one of {count} that were there meanwhile"))


def _lowered(choice: Choice, doubt: Belief, confirm: str | None = None) -> Choice:
    if choice.belief.certainty != "observed":
        return choice
    return choice._replace(belief=doubt, confirm=choice.confirm or confirm)


def _overlaps(gap: Statement, since: datetime, until: datetime) -> bool:
    start, end = extent(gap)
    return start < until and end > since


def _clock(m: Mark) -> str:
    return f"{m.time:%Y-%m-%d %H:%M:%S}"


def _told(stuff: Stuff) -> str:
    return f"reel {stuff.id}" if stuff.id else f"lot {' or '.join(stuff.lots)}"


def in_order(m: Mark) -> tuple[datetime, int, Evidence]:
    """Marks of one slot. At one moment what was fed comes before what is set up, and a cleaning before new paste."""
    return m.time, 0 if m.said in ("fed", "low", "removed", "cleaned") else 1, m.statement.evidence


def widens(statement: Statement, station: str) -> bool:
    """Whether a statement says that something about a station's set-ups may be missing at a known time."""
    if statement.fact.type not in ("source.gap", "source.rejected") or undated(statement):
        return False
    return statement.get("station") in (station, None)


def contents(fact: Fact) -> list[tuple[str, tuple[str, ...]]]:
    """The containers a fact names, and the lots it says they hold."""
    if not fact.type.startswith("material.") and fact.type != "work.print_attempted":
        return []
    stated = (fact.data.get(name) for name in ("material", "previous", "paste"))
    return [(m["id"], tuple(m["lots"])) for m in stated if m and m.get("id") and m.get("lots")]

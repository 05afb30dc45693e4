"""What a machine's program takes from which slot, for which places; and which board of a panel got which parts."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.trace.belief import OBSERVED, Belief, Evidence, inferred
from broker_bridge.trace.gaps import EVER, NEVER
from broker_bridge.trace.inspections import Place
from broker_bridge.trace.setups import PLANNED
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.supply import Supply
from broker_bridge.trace.value import Value

ELSEWHEN: Final = 0.9
"""A list that was stated when another, or the same program was loaded at another time."""


class Feed(Value):
    """What a program takes from one slot."""

    slot: str
    part: str | None
    places: tuple[Place, ...]
    """In the order in which they are filled."""
    nozzle: str | None
    evidence: Evidence


class Plan(Value):
    """The slots of the program in force."""

    known: bool
    """Whether one is stated; with no feeds the program takes nothing here."""
    feeds: dict[str, Feed]
    belief: Belief
    since: datetime
    """What is said between `since` and `until` decides which plan is in force."""
    until: datetime


NO_PLAN: Final = Plan(False, {}, OBSERVED, EVER, NEVER)


def in_force(supply: Supply, line: str, station: str, time: datetime, program: str | None) -> Plan:
    """The plan in force at a time, for a program where the machine says which one it ran."""
    stated = supply.plans(line, station, time, program)
    newest = max((s.time for s in stated if s.time <= time), default=None)
    current = [s for s in stated if s.time == newest and (program is None or _name(s) == program)]
    if current and newest is not None:
        belief = OBSERVED if program else inferred(ELSEWHEN, "the machine does not say which program it ran")
        return Plan(True, _feeds(current), belief, newest, time)
    named = [s for s in stated if _name(s) == program]
    if not named:
        return NO_PLAN
    nearest = min((s.time for s in named if s.time > time), default=None) or max(s.time for s in named)
    why = f"the slots of program {program} were told at another time only ({nearest:%Y-%m-%d %H:%M})"
    return Plan(True, _feeds([s for s in named if s.time == nearest]), inferred(ELSEWHEN, why), EVER, NEVER)


def dealt(
    rows: Sequence[tuple[Any, float | None]], places: Sequence[Place], boards: Sequence[int], position: int
) -> list[tuple[Any, tuple[Place, ...]]] | None:
    """Which rows of what a slot fed, in order, went to the board at a position, and to which places.

    `boards` are the positions that were worked on, one after the other. None where the quantities do not add up.
    """
    total = sum(quantity or 0 for _, quantity in rows)
    if not places or position not in boards or total != len(places) * len(boards):
        return None
    first = sorted(boards).index(position) * len(places)
    result: list[tuple[Any, tuple[Place, ...]]] = []
    at = 0
    for row, quantity in rows:
        behind = at + int(quantity or 0)
        low, high = max(at, first), min(behind, first + len(places))
        if low < high:
            result.append((row, tuple(places[low - first : high - first])))
        at = behind
    return result


def _feeds(stated: Sequence[Statement]) -> dict[str, Feed]:
    found: dict[str, Feed] = {}
    for statement in sorted(stated, key=lambda s: s.evidence):
        feeding = statement.get("feeding") or {}
        slot = feeding.get("slot")
        if slot is not None and statement.fact.type == PLANNED:
            places = tuple(Place.of(place) for place in statement.get("places") or ())
            part = (statement.get("material") or {}).get("part")
            found[slot] = Feed(slot, part, places, feeding.get("nozzle"), statement.evidence)
    return found


def _name(statement: Statement) -> str | None:
    program = statement.get("program")
    return program["name"] if program else None

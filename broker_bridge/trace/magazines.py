"""Magazines: what lay in which slot, and how far that is proven.

Contents are proven only between sealed and opened. Outside of it boards are taken and put by hand and magazines are
turned; one board that comes out of a slot where another was put makes all of the magazine doubtful.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.belief import OBSERVED, TORN, Belief, Evidence, conflicting, inferred
from broker_bridge.trace.identity import About, Thing
from broker_bridge.trace.knots import Web, unit
from broker_bridge.trace.mentions import Knot, Mention
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.stays import SKEW
from broker_bridge.trace.value import Value

SEALED: Final = 0.95
"""What comes unread out of a slot of a magazine that stayed sealed is what was put there."""
OPEN: Final = 0.6
"""The same of one that was not sealed: hands were in it."""

_HANDLED: Final = "board.magazine_handled"


class Storage(Value):
    """The board's stay in one magazine."""

    magazine: str
    slot: str | None
    from_: datetime
    to: datetime | None
    """None: nothing shows that it came out."""
    sealed: datetime | None
    """From when its contents are proven; None: never."""
    opened: datetime | None
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Stored(Value):
    """Stays in magazines, and statements about boards that came out unread and are taken for this one."""

    stays: tuple[Storage, ...]
    unread: tuple[tuple[Statement, About], ...]


def stored(
    web: Web, thing: Thing, statements: Sequence[Statement], about: Sequence[tuple[Statement, About]]
) -> Stored:
    """The stays in order of time; `statements` hold everything that is filed of the magazines."""
    found: list[Storage] = []
    unread: list[tuple[Statement, About]] = []
    entries = [(statement, way, _slot(statement, way)) for statement, way in about if puts(statement, way)]
    for place, (put, way, slot) in enumerate(entries):
        magazine = str(put.get("magazine"))
        if place and entries[place - 1][0].get("magazine") == magazine and put.fact.type == _HANDLED:
            continue  # listed again in the same magazine
        known = [s for s in statements if s.get("magazine") == magazine and s.time >= put.time]
        again = next((s.time for s, _, _ in entries[place + 1 :] if s.fact.type != _HANDLED), None)
        if again is not None:
            known = [s for s in known if s.time < again]
        elsewhere = seen_again(put, about)
        if elsewhere is not None:
            known = [s for s in known if s.time <= elsewhere]
        own = next((s for s, _ in about if s in known and s.fact.type == "board.arrived"), None)
        taken = own or next((s for s in known if _nameless(s) and s.get("slot") == slot), None)
        end = taken.time if taken else None
        one = _storage(web, put, way, slot, [s for s in known if end is None or s.time <= end], taken)
        found.append(one)
        if taken is not None and own is None:
            p = {"observed": SEALED, "inferred": OPEN}.get(one.certainty, TORN)
            why = f"it came unread out of slot {slot} of magazine {magazine}, where this board was put"
            belief = (
                inferred(p, why) if one.certainty != "conflicting" else conflicting(p, f"{why}; {one.reason}")
            )
            mention = Mention("object", (), None, None, None, None, "unknown", None, ())
            unread.append((taken, About(belief, "self", mention, unit(thing.key) or "board")))
    return Stored(tuple(found), tuple(unread))


def puts(statement: Statement, way: About) -> bool:
    """Whether a statement puts the thing into a magazine."""
    if statement.get("magazine") is None or way.scope == "member":
        return False
    kind = statement.fact.type
    return kind == "board.departed" or (kind == _HANDLED and way.mention.role == "content")


def seen_again(put: Statement, about: Sequence[tuple[Statement, About]]) -> datetime | None:
    """When the thing was told of next after it went into a magazine: by then it is out of it."""
    return next((s.time for s, way in about if way.scope != "member" and s.time - put.time > SKEW), None)


def _storage(
    web: Web,
    put: Statement,
    way: About,
    slot: str | None,
    known: Sequence[Statement],
    taken: Statement | None,
) -> Storage:
    magazine = str(put.get("magazine"))
    handled = [s for s in known if s.fact.type == _HANDLED]
    sealed = next((s for s in handled if s.get("act") == "sealed"), None)
    opened = next(
        (s for s in handled if s.get("act") == "opened" and (sealed is None or s.time >= sealed.time)), None
    )
    turned = next((s for s in handled if s.get("act") == "turned"), None)
    surprise = _unexpected(web, [put, *known])
    belief: Belief = OBSERVED
    if surprise is not None:
        belief = conflicting(
            TORN,
            f"magazine {magazine} is doubtful: another board came out of slot {surprise.get('slot')} than was put there",
        )
    elif sealed is None:
        belief = inferred(
            OPEN, f"magazine {magazine} was never sealed: boards may have been taken or put by hand"
        )
    elif turned is not None and turned.time < sealed.time:
        belief = inferred(OPEN, f"magazine {magazine} was turned before it was sealed")
    events = [put, *(s for s in (sealed, opened, turned, surprise, taken) if s is not None)]
    return Storage(
        magazine=magazine,
        slot=slot,
        from_=put.time,
        to=taken.time if taken else None,
        sealed=sealed.time if sealed else None,
        opened=opened.time if opened else None,
        certainty=belief.certainty,
        probability=belief.probability,
        reason=belief.reason,
        evidence=tuple(sorted({s.evidence for s in events})),
    )


def _slot(put: Statement, way: About) -> str:
    """The slot a statement puts the board in."""
    if put.fact.type == "board.departed":
        return str(put.get("slot") or "?")
    contents = [m for m in put.mentions if m.role == "content"]
    return str(put.get("contents")[contents.index(way.mention)]["slot"])


def _unexpected(web: Web, known: Sequence[Statement]) -> Statement | None:
    """A board that came out of a slot where another one had been put."""
    lying: dict[str, frozenset[Knot]] = {}
    for statement in known:
        kind, slot = statement.fact.type, statement.get("slot")
        names = frozenset[Knot]().union(*(web.knots(m) for m in statement.mentions if m.role == "object"))
        if kind == _HANDLED:
            contents = [m for m in statement.mentions if m.role == "content"]
            for slotted, mention in zip(statement.get("contents") or (), contents, strict=False):
                lying[slotted["slot"]] = web.knots(mention)
        elif kind == "board.departed" and slot:
            lying[slot] = names
        elif kind == "board.arrived" and slot and names:
            expected = lying.pop(slot, None)
            if expected is not None and _another(expected, names):
                return statement
    return None


def _another(one: frozenset[Knot], other: frozenset[Knot]) -> bool:
    """Whether two sets of names are two things: they share none, and name each by a name of the same kind."""
    if one & other:
        return False
    kinds = {getattr(knot, "kind", "slot") for knot in one}
    return any(getattr(knot, "kind", "slot") in kinds for knot in other)


def _nameless(statement: Statement) -> bool:
    named = any(m.names or m.panel for m in statement.mentions)
    return statement.fact.type == "board.arrived" and not named

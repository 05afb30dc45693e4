"""What a board carries, and ever carried: stated for it, dealt out from its panel, or joined with what was set up.

Observed: a source states it for the board or its panel, and where several reels fed one panel the machine's own order
and counts tell which board got which; or both ends of a proven set-up were seen and nothing else can have been
there. All else is inferred, with what a person would have to confirm. Several possible ones exclude each other
(`one_of`); of paste any of them may be on the board.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.feeding import is_fed, placed
from broker_bridge.trace.inspections import Place, Record, scope_of
from broker_bridge.trace.life import exceeded
from broker_bridge.trace.paste import PRINTED, printed
from broker_bridge.trace.setups import PASTE, PROGRAM, SLOT, Stuff
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.supply import Supply
from broker_bridge.trace.uses import REWORKED, Material, Need, Tool, put, stuff_of, whole
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Visit
from broker_bridge.trace.working import At, OfPanel

STATED: Final = {
    "material.installed": "installed",
    "material.consumed": "consumed",
    "material.removed_from_board": "removed",
    "board.introduced": "bare_board",
}
"""Types that put material on a board or take it off, and the word for it."""


class Carried(Value):
    """Everything, in order of time."""

    materials: tuple[Material, ...]
    tools: tuple[Tool, ...]
    needs: tuple[Need, ...]


def carried(
    records: Sequence[Record],
    found: Sequence[Stay],
    visits: Sequence[Visit],
    supply: Supply,
    panel_position: int | None,
) -> Carried:
    """What was put on a thing and came off it.

    `records` are about it, `found` and `visits` its stays and the same as told; `panel_position` is its place in its
    panel, None where it has none or is a panel.
    """
    by_event = {record.statement.evidence: record for record in records}
    board = OfPanel(records, panel_position)
    entries: list[Material] = []
    needs: list[Need] = []
    taken: set[Evidence] = set()
    for number, (stay, visit) in enumerate(zip(found, visits, strict=True)):
        if visit.station is None:
            continue
        own = [r for w in stay.witnesses if (r := by_event.get(w.statement.evidence)) is not None]
        line = stay.witnesses[0].statement.line
        used = supply.used(line, visit.station)
        if not used:
            continue
        at = At(number, line, stay, visit, own, supply, board)
        elsewhere = [
            other
            for other, seen in enumerate(visits)
            if other != number and seen.station == visit.station and seen.side in (visit.side, None)
        ]
        if SLOT in used or PROGRAM in used:
            fed = [r for r in own if is_fed(r)]
            others = any(
                is_fed(by_event[w.statement.evidence])
                for o in elsewhere
                for w in found[o].witnesses
                if w.statement.evidence in by_event
            )
            if fed or not others:
                made, need = placed(at, fed, PROGRAM in used)
                entries += made
                needs.append(need)
                taken |= {r.statement.evidence for r in fed}
        if PASTE in used:
            prints = [r for r in own if r.statement.fact.type == PRINTED]
            others = any(w.statement.fact.type == PRINTED for o in elsewhere for w in found[o].witnesses)
            if prints or not others:
                made, need = printed(at, prints)
                entries += made
                needs.append(need)
    entries += [
        _stated(record, supply)
        for record in records
        if record.statement.fact.type in STATED
        and record.statement.evidence not in taken
        and (record.statement.get("material") or record.statement.fact.type == "material.removed_from_board")
    ]
    entries += [entry for record in records for entry in _reworked(record, supply)]
    entries = [_lived(entry, supply) for entry in _gone(_once(entries), board)]
    return Carried(
        tuple(
            sorted(
                entries,
                key=lambda m: (m.time, m.slot or "", m.places, m.id or "", m.lots, m.part or "", m.evidence),
            )
        ),
        tuple(_tools(records)),
        tuple(needs),
    )


def _stated(record: Record, supply: Supply) -> Material:
    statement = record.statement
    feeding = statement.get("feeding") or {}
    return put(
        STATED[statement.fact.type], statement.time, statement.get("station"), scope_of(record), statement.get("side"),
        tuple(Place.of(place) for place in statement.get("places") or ()), stuff_of(statement, supply),
        feeding.get("slot"), feeding.get("feeder"), feeding.get("nozzle"), None, None, record.about.belief,
        (statement.evidence,),
    )  # fmt: skip


def _reworked(record: Record, supply: Supply) -> Iterator[Material]:
    """Parts that went on at a bench, and those that came off there where they are named."""
    statement = record.statement
    if statement.fact.type != REWORKED or statement.get("outcome") == "failed":
        return
    for action in statement.get("actions") or ():
        for act, field in (("removed", "removed"), ("installed", "installed")):
            stated = action.get(field)
            if stated:
                yield put(
                    act, statement.time, statement.get("station"), scope_of(record), statement.get("side"),
                    (Place.of(action["place"]),), whole(Stuff.of(stated), supply), None, None, None, None, None,
                    record.about.belief, (statement.evidence,),
                )  # fmt: skip


def _lived(entry: Material, supply: Supply) -> Material:
    lives = supply.lives(entry.id) if entry.id and entry.act in ("installed", "consumed") else ()
    why = exceeded(lives, entry.id or "", entry.time) if lives else None
    return entry if why is None else entry._replace(exceeded=why)


def _gone(entries: Sequence[Material], board: OfPanel) -> list[Material]:
    """The entries with what came off again: replaced, removed, printed anew after a wash."""
    prints = sorted({(m.side, m.time) for m in entries if m.act == "consumed"}, key=repr)
    result = []
    for entry in entries:
        if entry.act == "consumed" and entry.part != "solder":
            void = [time for side, time in prints if side == entry.side and time > entry.time]
            void += [time for time in board.washes if time > entry.time]
            if void:
                entry = entry._replace(now=False, ended=min(void))
        elif entry.act == "installed" and entry.places:
            off: dict[Place, datetime] = {}
            for other in entries:
                for place in other.places:
                    if other.time > entry.time and _takes_off(other, entry):
                        for mine in entry.places:
                            if place.covers(mine) or mine.covers(place):
                                off[mine] = min(off.get(mine, other.time), other.time)
            if off:
                left = [place for place in entry.places if place not in off]
                entry = entry._replace(
                    gone=tuple(place for place in entry.places if place in off),
                    now=bool(left),
                    ended=None if left else max(off.values()),
                )
        result.append(entry)
    return result


def _takes_off(other: Material, entry: Material) -> bool:
    """Whether a later act at a place means that what was there came off: taken off, or a part put on by hand."""
    if other.certainty != "observed":
        return False  # what may not have happened takes nothing off
    if other.side is not None and entry.side is not None and other.side != entry.side:
        return False
    return other.act == "removed" or (other.act == "installed" and other.slot is None)


def _once(entries: Sequence[Material]) -> list[Material]:
    """The same said doubly is one, as sure as the surest."""
    found: dict[object, Material] = {}
    for entry in sorted(
        entries, key=lambda m: (m.certainty != "observed", -(m.probability or 0), m.evidence)
    ):
        key = (
            entry.act, entry.time, entry.station, entry.side, entry.places, entry.id, entry.lots, entry.part, entry.slot,
            entry.one_of,
        )  # fmt: skip
        known = found.get(key)
        if known is None:
            found[key] = entry
        else:
            found[key] = known._replace(evidence=tuple(sorted({*known.evidence, *entry.evidence})))
    return list(found.values())


def _tools(records: Sequence[Record]) -> Iterable[Tool]:
    found: dict[object, Tool] = {}
    for record in records:
        statement, belief = record.statement, record.about.belief
        data = statement.fact.data
        named = [(tool["kind"], tool["id"]) for tool in data.get("tools") or ()]
        named += [("stencil", data["stencil"])] if data.get("stencil") else []
        named += [("fixture", data["fixture"])] if data.get("fixture") else []
        feeding = data.get("feeding") or {}
        named += [("feeder", feeding["feeder"])] if feeding.get("feeder") else []
        for kind, name in named:
            key = (kind, name, statement.get("station"), statement.get("side"), statement.time)
            tool = Tool(kind, name, statement.get("station"), statement.get("side"), statement.time, belief.certainty,
                        belief.probability, belief.reason, (statement.evidence,))  # fmt: skip
            known = found.get(key)
            found[key] = (
                tool
                if known is None
                else known._replace(evidence=tuple(sorted({*known.evidence, *tool.evidence})))
            )
    return sorted(found.values(), key=lambda tool: (tool.time, tool.kind, tool.id, tool.evidence))

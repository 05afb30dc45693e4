"""Parts from slots: what a machine says it fed, else what was set up at its slots meanwhile."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from broker_bridge.trace.belief import OBSERVED, Belief, Evidence, chain, inferred
from broker_bridge.trace.inspections import Place, Record, scope_of
from broker_bridge.trace.plans import NO_PLAN, Feed, dealt, in_force
from broker_bridge.trace.setups import ANY, SLOT, SPLIT, Choice, Stuff, mark, possible
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.uses import Material, Need, put, stuff_of, whole
from broker_bridge.trace.working import At


def placed(at: At, fed: Sequence[Record], planned: bool) -> tuple[list[Material], Need]:
    """Parts from slots."""
    doubt = at.doubt
    program = at.visit.program.name if at.visit.program else _beside(at, fed)
    ran = _ran(at, fed)
    plan = (
        in_force(at.supply, at.line, at.station, ran, program)
        if planned
        else NO_PLAN._replace(since=ran, until=ran)
    )
    since, until = plan.since, plan.until
    made: list[Material] = []
    if doubt is None:
        return made, Need(at.number, at.line, False, since, until)
    by_slot: dict[str, list[Record]] = {}
    for record in sorted(fed, key=_as_written):
        slot = str(record.statement.get("feeding")["slot"])
        by_slot.setdefault(slot, []).append(record)
    for slot, rows in by_slot.items():
        feed = plan.feeds.get(slot)
        for record, places, belief, one_of in _dealt(at, _distinct(rows), feed):
            stuff = stuff_of(record.statement, at.supply)
            belief = chain(record.about.belief, belief, doubt, plan.belief if feed else OBSERVED)
            if stuff.named:
                made.append(_entry(at, record, stuff, places, feed, belief, None, one_of))
                continue
            choices, need = _possible(at, slot)
            since, until = min(since, need[0]), max(until, need[1])
            choices = [c for c in choices if not c.stuff.named or c.stuff.part in (stuff.part, None)]
            for choice in choices or [_any(stuff, at.where(slot))]:
                made.append(
                    _entry(at, record, _with_part(choice.stuff, stuff.part), places, feed,
                                chain(belief, choice.belief), choice.confirm, one_of or at.where(slot),
                                choice.evidence)
                )  # fmt: skip
    left = [slot for slot in plan.feeds if slot not in by_slot]
    if not plan.known and not fed:
        left = list(at.supply.slots(at.line, at.station))
    aimless = planned and not plan.known
    for slot in left:
        choices, need = _possible(at, slot)
        since, until = min(since, need[0]), max(until, need[1])
        feed = plan.feeds.get(slot)
        part = feed.part if feed else None
        if not choices and feed is not None:
            choices = [_any(Stuff(part=part), at.where(slot))]
        several = len(choices) > 1
        for choice in choices:
            belief = chain(choice.belief, doubt, at.passed, plan.belief if feed else OBSERVED)
            if aimless:
                why = f"what the program took at {at.station} is not known, only what was set up there"
                belief = chain(belief, inferred(SPLIT, why))
            made.append(
                _entry(at, None, _with_part(whole(choice.stuff, at.supply), part),
                            feed.places if feed else (), feed, belief, choice.confirm,
                            at.where(slot) if several else None, choice.evidence)
            )  # fmt: skip
    return made, Need(at.number, at.line, not fed, since, until)


def _beside(at: At, fed: Sequence[Record]) -> str | None:
    """The program that the machine names for other boards of the panel at the same time."""
    if not fed:
        return None
    stated = [other.get("program") for other in at.supply.beside(fed[0].statement)]
    names = {program["name"] for program in stated if program}
    return names.pop() if len(names) == 1 else None


def _ran(at: At, fed: Sequence[Record]) -> datetime:
    """When the program ran: by the clock of the machine that tells of its programs, where it tells of the work."""
    return max((record.statement.time for record in fed), default=at.end)


def _possible(at: At, slot: str) -> tuple[list[Choice], tuple[datetime, datetime]]:
    marks = at.supply.marks(at.line, at.station, SLOT, slot, at.start, at.end)
    found = possible(marks, (), at.start, at.end, at.where(slot))
    gaps = at.supply.gaps(at.line, at.station, found.since, found.until)
    if gaps:
        found = possible(marks, gaps, at.start, at.end, at.where(slot))
    return list(found.choices), (found.since, found.until)


def _dealt(
    at: At, rows: Sequence[Record], feed: Feed | None
) -> Iterator[tuple[Record, tuple[Place, ...], Belief, str | None]]:
    places = feed.places if feed else ()
    if len(rows) == 1 or at.board.position is None:
        for record in rows:
            stated = tuple(Place.of(place) for place in record.statement.get("places") or ())
            yield record, stated or places, OBSERVED, None
        return
    positions, sure = _positions(at, rows[0].statement)
    if all(r.statement.get("sequence") == "board_by_board" for r in rows) and sure:
        counted = [(record, record.statement.get("quantity")) for record in rows]
        mine = dealt(counted, places, positions, at.board.position)
        if mine is not None:
            for record, share in mine:
                yield record, share, OBSERVED, None
            return
    total = sum(r.statement.get("quantity") or 0 for r in rows)
    slot = (rows[0].statement.get("feeding") or {}).get("slot")
    one_of = at.where(str(slot))
    for record in rows:
        part = (record.statement.get("quantity") or 0) / total if total else 1 / len(rows)
        why = f"{one_of}: {len(rows)} reels fed this panel, and which of its boards got which is not known"
        yield record, places, inferred(round(max(part, 0.01), 4), why), one_of


def _positions(at: At, statement: Statement) -> tuple[list[int], bool]:
    """The positions that the station worked on, and whether their order is beyond doubt."""
    found: dict[int, bool] = {}
    for other in at.supply.beside(statement):
        if other.fact.type != "work.completed":
            continue
        for mention in other.mentions:
            if mention.position is not None:
                found[mention.position] = other.get("outcome") != "skipped"
    return sorted(p for p, worked in found.items() if worked), all(found.values()) and bool(found)


def _entry(at: At, record: Record | None, stuff: Stuff, places: tuple[Place, ...], feed: Feed | None, belief: Belief,
    confirm: str | None, one_of: str | None, evidence: tuple[Evidence, ...] = (),
) -> Material:  # fmt: skip
    feeding = (record.statement.get("feeding") or {}) if record else {}
    own = (record.statement.evidence,) if record else ()
    return put(
        "installed", record.statement.time if record else at.end, at.station,
        scope_of(record) if record else "board", at.visit.side, places, stuff,
        feeding.get("slot") or (feed.slot if feed else None), feeding.get("feeder"),
        feeding.get("nozzle") or (feed.nozzle if feed else None), one_of, confirm, belief,
        tuple(sorted({*own, *evidence, *((feed.evidence,) if feed else ())})),
    )  # fmt: skip


def is_fed(record: Record) -> bool:
    """Whether a machine says that a slot fed the board or its panel."""
    found = mark(record.statement) if record.statement.fact.type == "material.installed" else None
    return found is not None and found.family == SLOT and record.about.scope != "member"


def _as_written(record: Record) -> tuple[datetime, str, str, int, int]:
    fact = record.statement.fact
    return record.statement.time, fact.source, fact.generation, fact.position, fact.ordinal


def _distinct(rows: Sequence[Record]) -> list[Record]:
    """Rows that say the same at the same time are one row told doubly."""
    found: dict[str, Record] = {}
    for record in rows:
        data: Mapping[str, Any] = record.statement.fact.data
        said = {name: value for name, value in sorted(data.items()) if name not in ("origin", "boards")}
        found.setdefault(f"{record.statement.time.isoformat()} {said!r}", record)
    return list(found.values())


def _with_part(stuff: Stuff, part: str | None) -> Stuff:
    return stuff if stuff.part is not None or part is None else stuff._replace(part=part)


def _any(stuff: Stuff, where: str) -> Choice:
    why = f"{where}: nothing is known of what was set up there"
    return Choice(Stuff(part=stuff.part), inferred(ANY, why), f"confirm what was at {where}", ())

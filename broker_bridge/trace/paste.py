"""Paste: the jar put on the stencil last, and all before it since the stencil was cleaned off."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.trace.belief import Belief, Evidence, chain, inferred
from broker_bridge.trace.gaps import EVER, NEVER
from broker_bridge.trace.inspections import Record
from broker_bridge.trace.setups import ANY, PASTE, Mark, Stuff
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.uses import Material, Need, put, whole
from broker_bridge.trace.working import At

MIXED: Final = 0.5
"""Paste of an earlier jar that was not cleaned off the stencil: less with every print, and nobody measures it."""

PRINTED: Final = "work.print_attempted"


def printed(at: At, prints: Sequence[Record]) -> tuple[list[Material], Need]:
    """Paste on the stencil at each print: the jar put on last, and all before it since it was cleaned off."""
    made: list[Material] = []
    since, until = NEVER, EVER
    doubt = at.doubt
    if doubt is None:
        return made, Need(at.number, at.line, False, EVER, EVER)
    times: list[tuple[datetime, Record | None]] = [(r.statement.time, r) for r in prints]
    for time, record in times or [(at.end, None)]:
        marks = at.supply.marks(at.line, at.station, PASTE, "", time, time)
        before = [m for m in marks if m.time <= time]
        cleaned = next((p for p in range(len(before) - 1, -1, -1) if before[p].said == "cleaned"), None)
        since, until = min(since, EVER if cleaned is None else before[cleaned].time), max(until, time)
        jars = [
            m for m in before[0 if cleaned is None else cleaned :] if m.said != "cleaned" and m.stuff.named
        ]
        gap = next(iter(at.supply.gaps(at.line, at.station, since, time)), None)
        made += _jars(at, record, time, jars, cleaned is None, gap, doubt)
    return made, Need(at.number, at.line, not prints, since, until)


def _jars(
    at: At,
    record: Record | None,
    time: datetime,
    jars: Sequence[Mark],
    unknown: bool,
    gap: Statement | None,
    doubt: Belief,
) -> Iterator[Material]:
    stated = Stuff.of(record.statement.get("paste") or {}) if record else Stuff()
    about = chain(record.about.belief if record else at.passed, doubt)
    seen: list[Stuff] = []
    if record is not None and stated.named:
        seen.append(stated)
        yield _paste(at, record, whole(stated, at.supply), about, None, (record.statement.evidence,), time)
    for latest in reversed(jars):
        if any(latest.stuff.same(known) for known in seen):
            continue
        last = not seen
        seen.append(latest.stuff)
        m = next(first for first in jars if first.stuff.same(latest.stuff))
        why = (
            f"the paste put on the stencil last before (at {m.time:%Y-%m-%d %H:%M}); the print itself is not recorded"
            if last
            else f"on the stencil since {m.time:%Y-%m-%d %H:%M} and not cleaned off since: pastes mix"
        )
        belief = chain(about, inferred(0.9 if last else MIXED, why))
        yield _paste(at, record, whole(m.stuff, at.supply), belief, None, (m.statement.evidence,), time)
    where = f"{at.station}, stencil"
    if unknown and jars:
        why = f"{where}: what was on it when the record begins is not known"
        yield _paste(at, record, Stuff(part="paste"), chain(about, inferred(ANY, why)),
                          f"confirm what was on the stencil at {at.station} when the record begins", (), time)  # fmt: skip
    elif gap is not None and not stated.named:
        why = f"{where}: its source has a gap about {gap.time:%Y-%m-%d %H:%M}"
        yield _paste(at, record, Stuff(part="paste"), chain(about, inferred(ANY, why)),
                          f"confirm which paste was on the stencil about {gap.time:%Y-%m-%d %H:%M}",
                          (gap.evidence,), time)  # fmt: skip


def _paste(at: At, record: Record | None, stuff: Stuff, belief: Belief, confirm: str | None,
    evidence: tuple[Evidence, ...], time: datetime,
) -> Material:  # fmt: skip
    own = (record.statement.evidence,) if record else ()
    return put(
        "consumed", time, at.station, "panel", at.visit.side, (), stuff, None, None, None, None, confirm, belief,
        (*own, *evidence),
    )  # fmt: skip

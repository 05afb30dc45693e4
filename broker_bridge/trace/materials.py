"""What a board carries, and ever carried: stated for it, dealt out from its panel, or joined with what was set up.

Observed: a source states it for the board or its panel, and where several reels fed one panel the machine's own order
and counts tell which board got which; or both ends of a proven set-up were seen and nothing else can have been
there. All else is inferred, with what a person would have to confirm. Several possible ones exclude each other
(`one_of`); of paste any of them may be on the board.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from broker_bridge.trace.belief import OBSERVED, Belief, Evidence, chain, inferred
from broker_bridge.trace.gaps import EVER, NEVER
from broker_bridge.trace.inspections import Place, Record, scope_of
from broker_bridge.trace.plans import NO_PLAN, Feed, dealt, in_force
from broker_bridge.trace.setups import (
    ANY,
    PASTE,
    PROGRAM,
    SLOT,
    SPLIT,
    Choice,
    Mark,
    Stuff,
    Supply,
    exceeded,
    mark,
    possible,
)  # fmt: skip
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.stays import Stay
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Visit

STATED: Final = {
    "material.installed": "installed",
    "material.consumed": "consumed",
    "material.removed_from_board": "removed",
    "board.introduced": "bare_board",
}
"""Types that put material on a board or take it off, and the word for it."""

REWORKED: Final = "inspection.rework_performed"

MIXED: Final = 0.5
"""Paste of an earlier jar that was not cleaned off the stencil: less with every print, and nobody measures it."""
SKIPPED: Final = 0.5
"""Sources disagree whether the position was skipped."""


class Material(Value):
    """Material installed on, consumed for or removed from the board."""

    act: str
    """installed, consumed, removed or bare_board"""
    time: datetime
    station: str | None
    scope: str
    side: str | None
    places: tuple[Place, ...]
    """Empty: not known."""
    gone: tuple[Place, ...]
    """Those of the places from which it came off again."""
    now: bool
    """Whether the board carries it, or some of it, now; else it only ever did."""
    ended: datetime | None
    """When the last of it came off, or was washed off."""
    id: str | None
    """The plant's own id of the reel or container."""
    part: str | None
    maker: str | None
    maker_part: str | None
    lots: tuple[str, ...]
    """The maker's lots in it: any of them may be on the board."""
    date_code: str | None
    supplier: str | None
    receipt: str | None
    parent: str | None
    """What the reel or container was split from."""
    container: str | None
    slot: str | None
    feeder: str | None
    nozzle: str | None
    one_of: str | None
    """Entries with the same text exclude each other: exactly one of them is true."""
    confirm: str | None
    """What a person would have to confirm to decide it."""
    exceeded: str | None
    """Why it was used beyond its floor life or shelf life; None: not as far as is stated."""
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]

    @property
    def known(self) -> bool:
        """Whether it is known which reel or lot it is; else any of its part may be meant."""
        return bool(self.id or self.lots or self.act in ("removed", "bare_board"))


class Tool(Value):
    """A tool that touched the board."""

    kind: str
    id: str
    station: str | None
    side: str | None
    time: datetime
    certainty: str
    probability: float | None
    reason: str | None
    evidence: tuple[Evidence, ...]


class Need(Value):
    """From when to when what a station says decides what a visit to it put on the board."""

    visit: int
    """Its place in the route, from 0."""
    line: str
    silent: bool
    """Whether the station says nothing of what it put on the board."""
    since: datetime
    until: datetime


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
    board = _Board(records, panel_position)
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
        at = _At(number, line, stay, visit, own, supply, board)
        elsewhere = [
            other
            for other, seen in enumerate(visits)
            if other != number and seen.station == visit.station and seen.side in (visit.side, None)
        ]
        if SLOT in used or PROGRAM in used:
            fed = [r for r in own if _is_fed(r)]
            others = any(
                _is_fed(by_event[w.statement.evidence])
                for o in elsewhere
                for w in found[o].witnesses
                if w.statement.evidence in by_event
            )
            if fed or not others:
                made, need = at.placed(fed, PROGRAM in used)
                entries += made
                needs.append(need)
                taken |= {r.statement.evidence for r in fed}
        if PASTE in used:
            prints = [r for r in own if r.statement.fact.type == "work.print_attempted"]
            others = any(
                w.statement.fact.type == "work.print_attempted" for o in elsewhere for w in found[o].witnesses
            )
            if prints or not others:
                made, need = at.printed(prints)
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


class _Board:
    """What is said of the thing as a position of its panel."""

    def __init__(self, records: Sequence[Record], position: int | None) -> None:
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
        if elsewhere and not others:
            where = elsewhere[0].statement.get("station") or elsewhere[0].statement.fact.source
            if not worked:
                return None
            return inferred(SKIPPED, f"{where} says that the position was skipped")
        return OBSERVED


class _At:
    """One visit to a station that puts something on the board."""

    def __init__(
        self,
        number: int,
        line: str,
        stay: Stay,
        visit: Visit,
        own: Sequence[Record],
        supply: Supply,
        board: _Board,
    ) -> None:
        self._number, self._line, self._stay, self._visit = number, line, stay, visit
        self._own, self._supply, self._board = own, supply, board
        self._station = visit.station or ""
        work = [w for w in stay.witnesses if w.work is not None] or list(stay.witnesses)
        self._start = min(w.start for w in work)
        self._end = max(w.end for w in work)

    def placed(self, fed: Sequence[Record], planned: bool) -> tuple[list[Material], Need]:
        """Parts from slots."""
        doubt = self._board.doubt(self._own)
        program = self._visit.program.name if self._visit.program else self._beside(fed)
        ran = self._ran(fed)
        plan = (
            in_force(self._supply, self._line, self._station, ran, program)
            if planned
            else NO_PLAN._replace(since=ran, until=ran)
        )
        since, until = plan.since, plan.until
        made: list[Material] = []
        if doubt is None:
            return made, Need(self._number, self._line, False, since, until)
        by_slot: dict[str, list[Record]] = {}
        for record in sorted(fed, key=_as_written):
            slot = str(record.statement.get("feeding")["slot"])
            by_slot.setdefault(slot, []).append(record)
        for slot, rows in by_slot.items():
            feed = plan.feeds.get(slot)
            for record, places, belief, one_of in self._dealt(_distinct(rows), feed):
                stuff = _stuff(record.statement, self._supply)
                belief = chain(record.about.belief, belief, doubt, plan.belief if feed else OBSERVED)
                if stuff.named:
                    made.append(self._entry(record, stuff, places, feed, belief, None, one_of))
                    continue
                choices, need = self._possible(slot)
                since, until = min(since, need[0]), max(until, need[1])
                choices = [c for c in choices if not c.stuff.named or c.stuff.part in (stuff.part, None)]
                for choice in choices or [_any(stuff, self._where(slot))]:
                    made.append(
                        self._entry(record, _with_part(choice.stuff, stuff.part), places, feed,
                                    chain(belief, choice.belief), choice.confirm, one_of or self._where(slot),
                                    choice.evidence)
                    )  # fmt: skip
        left = [slot for slot in plan.feeds if slot not in by_slot]
        if not plan.known and not fed:
            left = list(self._supply.slots(self._line, self._station))
        aimless = planned and not plan.known
        for slot in left:
            choices, need = self._possible(slot)
            since, until = min(since, need[0]), max(until, need[1])
            feed = plan.feeds.get(slot)
            part = feed.part if feed else None
            if not choices and feed is not None:
                choices = [_any(Stuff(part=part), self._where(slot))]
            several = len(choices) > 1
            for choice in choices:
                belief = chain(choice.belief, doubt, self._passed(), plan.belief if feed else OBSERVED)
                if aimless:
                    why = f"what the program took at {self._station} is not known, only what was set up there"
                    belief = chain(belief, inferred(SPLIT, why))
                made.append(
                    self._entry(None, _with_part(_whole(choice.stuff, self._supply), part),
                                feed.places if feed else (), feed, belief, choice.confirm,
                                self._where(slot) if several else None, choice.evidence)
                )  # fmt: skip
        return made, Need(self._number, self._line, not fed, since, until)

    def _beside(self, fed: Sequence[Record]) -> str | None:
        """The program that the machine names for other boards of the panel at the same time."""
        if not fed:
            return None
        stated = [other.get("program") for other in self._supply.beside(fed[0].statement)]
        names = {program["name"] for program in stated if program}
        return names.pop() if len(names) == 1 else None

    def _ran(self, fed: Sequence[Record]) -> datetime:
        """When the program ran: by the clock of the machine that tells of its programs, where it tells of the work."""
        return max((record.statement.time for record in fed), default=self._end)

    def printed(self, prints: Sequence[Record]) -> tuple[list[Material], Need]:
        """Paste on the stencil at each print: the jar put on last, and all before it since it was cleaned off."""
        made: list[Material] = []
        since, until = NEVER, EVER
        doubt = self._board.doubt(self._own)
        if doubt is None:
            return made, Need(self._number, self._line, False, EVER, EVER)
        times: list[tuple[datetime, Record | None]] = [(r.statement.time, r) for r in prints]
        for time, record in times or [(self._end, None)]:
            marks = self._supply.marks(self._line, self._station, PASTE, "", time, time)
            before = [m for m in marks if m.time <= time]
            cleaned = next((p for p in range(len(before) - 1, -1, -1) if before[p].said == "cleaned"), None)
            since, until = min(since, EVER if cleaned is None else before[cleaned].time), max(until, time)
            jars = [
                m
                for m in before[0 if cleaned is None else cleaned :]
                if m.said != "cleaned" and m.stuff.named
            ]
            gap = next(iter(self._supply.gaps(self._line, self._station, since, time)), None)
            made += self._jars(record, time, jars, cleaned is None, gap, doubt)
        return made, Need(self._number, self._line, not prints, since, until)

    def _jars(
        self,
        record: Record | None,
        time: datetime,
        jars: Sequence[Mark],
        unknown: bool,
        gap: Statement | None,
        doubt: Belief,
    ) -> Iterator[Material]:
        stated = Stuff.of(record.statement.get("paste") or {}) if record else Stuff()
        about = chain(record.about.belief if record else self._passed(), doubt)
        seen: list[Stuff] = []
        if record is not None and stated.named:
            seen.append(stated)
            yield self._paste(
                record, _whole(stated, self._supply), about, None, (record.statement.evidence,), time
            )
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
            yield self._paste(
                record, _whole(m.stuff, self._supply), belief, None, (m.statement.evidence,), time
            )
        where = f"{self._station}, stencil"
        if unknown and jars:
            why = f"{where}: what was on it when the record begins is not known"
            yield self._paste(record, Stuff(part="paste"), chain(about, inferred(ANY, why)),
                              f"confirm what was on the stencil at {self._station} when the record begins", (), time)  # fmt: skip
        elif gap is not None and not stated.named:
            why = f"{where}: its source has a gap about {gap.time:%Y-%m-%d %H:%M}"
            yield self._paste(record, Stuff(part="paste"), chain(about, inferred(ANY, why)),
                              f"confirm which paste was on the stencil about {gap.time:%Y-%m-%d %H:%M}",
                              (gap.evidence,), time)  # fmt: skip

    def _paste(
        self, record: Record | None, stuff: Stuff, belief: Belief, confirm: str | None,
        evidence: tuple[Evidence, ...], time: datetime,
    ) -> Material:  # fmt: skip
        own = (record.statement.evidence,) if record else ()
        return _material(
            "consumed", time, self._station, "panel", self._side(), (), stuff, None, None, None, None, confirm, belief,
            (*own, *evidence),
        )  # fmt: skip

    def _passed(self) -> Belief:
        visit = self._visit
        if visit.certainty == "observed":
            return OBSERVED
        return Belief(
            "conflicting" if visit.certainty == "conflicting" else "inferred", visit.probability, visit.reason
        )

    def _possible(self, slot: str) -> tuple[list[Choice], tuple[datetime, datetime]]:
        marks = self._supply.marks(self._line, self._station, SLOT, slot, self._start, self._end)
        found = possible(marks, (), self._start, self._end, self._where(slot))
        gaps = self._supply.gaps(self._line, self._station, found.since, found.until)
        if gaps:
            found = possible(marks, gaps, self._start, self._end, self._where(slot))
        return list(found.choices), (found.since, found.until)

    def _dealt(
        self, rows: Sequence[Record], feed: Feed | None
    ) -> Iterator[tuple[Record, tuple[Place, ...], Belief, str | None]]:
        places = feed.places if feed else ()
        if len(rows) == 1 or self._board.position is None:
            for record in rows:
                stated = tuple(Place.of(place) for place in record.statement.get("places") or ())
                yield record, stated or places, OBSERVED, None
            return
        positions, sure = self._positions(rows[0].statement)
        if all(r.statement.get("sequence") == "board_by_board" for r in rows) and sure:
            counted = [(record, record.statement.get("quantity")) for record in rows]
            mine = dealt(counted, places, positions, self._board.position)
            if mine is not None:
                for record, share in mine:
                    yield record, share, OBSERVED, None
                return
        total = sum(r.statement.get("quantity") or 0 for r in rows)
        slot = (rows[0].statement.get("feeding") or {}).get("slot")
        one_of = self._where(str(slot))
        for record in rows:
            part = (record.statement.get("quantity") or 0) / total if total else 1 / len(rows)
            why = (
                f"{one_of}: {len(rows)} reels fed this panel, and which of its boards got which is not known"
            )
            yield record, places, inferred(round(max(part, 0.01), 4), why), one_of

    def _positions(self, statement: Statement) -> tuple[list[int], bool]:
        """The positions that the station worked on, and whether their order is beyond doubt."""
        found: dict[int, bool] = {}
        for other in self._supply.beside(statement):
            if other.fact.type != "work.completed":
                continue
            for mention in other.mentions:
                if mention.position is not None:
                    found[mention.position] = other.get("outcome") != "skipped"
        return sorted(p for p, worked in found.items() if worked), all(found.values()) and bool(found)

    def _entry(
        self, record: Record | None, stuff: Stuff, places: tuple[Place, ...], feed: Feed | None, belief: Belief,
        confirm: str | None, one_of: str | None, evidence: tuple[Evidence, ...] = (),
    ) -> Material:  # fmt: skip
        feeding = (record.statement.get("feeding") or {}) if record else {}
        own = (record.statement.evidence,) if record else ()
        return _material(
            "installed", record.statement.time if record else self._end, self._station,
            scope_of(record) if record else "board", self._side(), places, stuff,
            feeding.get("slot") or (feed.slot if feed else None), feeding.get("feeder"),
            feeding.get("nozzle") or (feed.nozzle if feed else None), one_of, confirm, belief,
            tuple(sorted({*own, *evidence, *((feed.evidence,) if feed else ())})),
        )  # fmt: skip

    def _side(self) -> str | None:
        return self._visit.side

    def _where(self, slot: str) -> str:
        return f"{self._station} slot {slot}"


def _material(
    act: str, time: datetime, station: str | None, scope: str, side: str | None, places: tuple[Place, ...], stuff: Stuff,
    slot: str | None, feeder: str | None, nozzle: str | None, one_of: str | None, confirm: str | None, belief: Belief,
    evidence: tuple[Evidence, ...],
) -> Material:  # fmt: skip
    return Material(
        act=act, time=time, station=station, scope=scope, side=side, places=places, gone=(), now=act != "removed",
        ended=None, id=stuff.id, part=stuff.part, maker=stuff.maker, maker_part=stuff.maker_part, lots=stuff.lots,
        date_code=stuff.date_code, supplier=stuff.supplier, receipt=stuff.receipt, parent=stuff.parent,
        container=stuff.container, slot=slot, feeder=feeder, nozzle=nozzle, one_of=one_of, confirm=confirm, exceeded=None,
        certainty=belief.certainty, probability=belief.probability, reason=belief.reason,
        evidence=tuple(sorted(set(evidence))),
    )  # fmt: skip


def _stated(record: Record, supply: Supply) -> Material:
    statement = record.statement
    feeding = statement.get("feeding") or {}
    return _material(
        STATED[statement.fact.type], statement.time, statement.get("station"), scope_of(record), statement.get("side"),
        tuple(Place.of(place) for place in statement.get("places") or ()), _stuff(statement, supply),
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
                yield _material(
                    act, statement.time, statement.get("station"), scope_of(record), statement.get("side"),
                    (Place.of(action["place"]),), _whole(Stuff.of(stated), supply), None, None, None, None, None,
                    record.about.belief, (statement.evidence,),
                )  # fmt: skip


def _lived(entry: Material, supply: Supply) -> Material:
    lives = supply.lives(entry.id) if entry.id and entry.act in ("installed", "consumed") else ()
    why = exceeded(lives, entry.id or "", entry.time) if lives else None
    return entry if why is None else entry._replace(exceeded=why)


def _gone(entries: Sequence[Material], board: _Board) -> list[Material]:
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


def _is_fed(record: Record) -> bool:
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


def _stuff(statement: Statement, supply: Supply) -> Stuff:
    return _whole(Stuff.of(statement.get("material") or {}), supply)


def _whole(stuff: Stuff, supply: Supply) -> Stuff:
    """With all lots that any statement gives the container."""
    if stuff.id is None:
        return stuff
    lots = supply.lots(stuff.id)
    return stuff if lots <= set(stuff.lots) else stuff._replace(lots=tuple(sorted({*stuff.lots, *lots})))


def _with_part(stuff: Stuff, part: str | None) -> Stuff:
    return stuff if stuff.part is not None or part is None else stuff._replace(part=part)


def _any(stuff: Stuff, where: str) -> Choice:
    why = f"{where}: nothing is known of what was set up there"
    return Choice(Stuff(part=stuff.part), inferred(ANY, why), f"confirm what was at {where}", ())


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


__all__ = ["STATED", "Carried", "Material", "Need", "Tool", "carried"]

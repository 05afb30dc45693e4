"""Forward trace: the boards on which a lot, reel, tool, program, machine, or a station in a time was used.

Read from the derived tables, which are brought up first; as of an older commit from an index made as of then.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.errors import StoreUnavailable, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.derived import Derived, NamelessRow, PassageRow, UseRow
from broker_bridge.projector.entries import FIRST, LAST, line_of, microseconds
from broker_bridge.projector.holding import holding
from broker_bridge.queries.past import as_known
from broker_bridge.queries.record import Record
from broker_bridge.queries.settling import settle
from broker_bridge.trace.gaps import UNDATED, extent
from broker_bridge.trace.recall import Answer, Asked, Member, Use, answer, named
from broker_bridge.trace.route import DECLARED
from broker_bridge.trace.statements import Statement, instant, opened
from broker_bridge.trace.whereabouts import standing

Progress = Callable[[int, int], None]

MATERIAL: Final = frozenset({"lot", "container", "date_code", "maker_part", "receipt"})
"""Words that tell one reel or lot from another."""
_VAGUE: Final = frozenset({"part", "maker", "supplier", "unknown", "unknown_lot", "exceeded"})
_PASSED: Final = ("program", "equipment", "station")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_BESIDE: Final = timedelta(seconds=90) // timedelta(microseconds=1)
"""How far from its visit a machine's word about an unnamed board may lie: common practice, no source."""
_CLOCKS: Final = timedelta(hours=2) // timedelta(microseconds=1)
"""By how much the clock of a machine may be wrong that did not name a board: an hour of summer time and some more;
common practice, no source."""
_ALL: Final = 0.9
"""From this share of a line's boards on a station counts as one that all pass."""
_SAMPLE: Final = 20
"""Boards that are asked for the way behind a station."""
_UNSEEN: Final = 0.2
"""On the line while a station's source had a gap, and not seen there."""


def where_used(
    record: Record, asked: Asked, *, at: int | None = None, progress: Progress | None = None
) -> Answer:
    """Where it was used, as of a commit (the newest by default).

    Raises UsageError where nothing, or several things, are asked for; NotFound for a commit that is not there.
    """
    _check(asked)
    if at is not None and at != record.as_of().commit:
        with as_known(record, at, progress) as then:
            return where_used(then, asked, progress=progress)
    unbounded: list[str] = [] if record.note is None else [record.note]
    try:
        settle(record, progress)
    except StoreUnavailable as error:
        unbounded.append(f"what is newest is not told: {error}")
    derived = Derived(record.index.path)
    try:
        found = _Search(record, derived, asked)
        found.run()
        members = list(found.members())
        return answer(asked, found.took, members, [*unbounded, *found.unbounded], found.notes, record.as_of())
    finally:
        derived.close()


def _check(asked: Asked) -> None:
    kinds = [
        asked.text,
        asked.lot,
        asked.container,
        asked.tool,
        asked.program,
        asked.equipment,
        asked.station,
    ]
    if sum(kind is not None for kind in kinds) + asked.exceeded != 1:
        raise UsageError(
            "ask for one thing: a text, a lot, a reel, a tool, a program, a machine, a station, or what exceeded its life"
        )
    if asked.program_revision is not None and asked.program is None:
        raise UsageError("a program revision goes with a program")
    if (asked.from_ or asked.to) and asked.station is None:
        raise UsageError("a time goes with a station")
    if asked.from_ and asked.to and asked.from_ > asked.to:
        raise UsageError(f"the time ends at {asked.to} before it begins at {asked.from_}")


class _Span(NamedTuple):
    """Where and when something was in use."""

    line: str
    station: str
    since: int
    until: int


class _Search:
    """One question: what was found, and what may be missing."""

    def __init__(self, record: Record, derived: Derived, asked: Asked) -> None:
        self._record, self._derived, self._asked = record, derived, asked
        self.took: list[str] = []
        self.unbounded: list[str] = []
        self.notes: list[str] = []
        self._uses: dict[int, list[Use]] = {}
        self._spans: dict[tuple[str, str], _Span] = {}

    def run(self) -> None:
        """Find it."""
        asked = self._asked
        if asked.program is not None:
            self._program(asked.program)
        elif asked.equipment is not None:
            self._equipment(asked.equipment)
        elif asked.station is not None:
            self._station(asked.station)
        elif asked.tool is not None:
            self._material([k for k in self._derived.kinds(asked.tool) if k not in (*_VAGUE, *MATERIAL, *_PASSED)],
                           asked.tool, identity=False)  # fmt: skip
        elif asked.exceeded:
            self._material(["exceeded"], "", identity=False)
            self.notes.append("only stated exposures and expiry dates are judged")
        elif asked.lot is not None:
            self._material(["lot"], asked.lot, identity=True)
        elif asked.container is not None:
            self._material(["container"], asked.container, identity=True)
        else:
            self._text(asked.text or "")
        self._disputed()
        self._silent()
        self._passed_by()
        self._widen()
        self._limits()

    def members(self) -> Iterator[Member]:
        """The boards, with all uses of each."""
        span = self._record.reader.span(self._record.as_of().number)
        now = None if span is None else instant(span[1])
        for row in self._derived.boards(self._uses):
            since = _time(row.since)
            yield Member(
                kind=row.kind, value=row.value, position=row.position or None, unit=row.unit, panel=row.panel,
                panel_position=row.panel_position, part=row.part, work_orders=tuple(json.loads(row.work_orders)),
                purpose=row.purpose, state=row.state if now is None else standing(row.state, bool(row.there), since, now),
                station=row.station, there=bool(row.there), since=since, end=row.line_end, uses=tuple(sorted(self._uses[row.board], key=_use_order)),
            )  # fmt: skip

    # -- what is asked for --------------------------------------------------------------------------------

    def _text(self, text: str) -> None:
        kinds = self._derived.kinds(text)
        telling = [kind for kind in kinds if kind not in _VAGUE] or [
            k for k in kinds if k in ("part", "maker", "supplier")
        ]
        for kind, search in (
            ("program", self._program),
            ("equipment", self._equipment),
            ("station", self._station),
        ):
            if kind in telling:
                search(text)
        words = [kind for kind in telling if kind not in _PASSED]
        if words or not telling:
            self._material(words, text, identity=not telling or bool(MATERIAL & set(words)))

    def _material(self, kinds: Sequence[str], value: str, *, identity: bool) -> None:
        """`identity`: where a reel or lot is not known it may be this one."""
        uses = self._derived.uses(kinds, value) if kinds else []
        self.took += [kind for kind in kinds if uses]
        self._add(uses)
        for use in uses:
            self._look_at(use)
        if not identity:
            return
        parts: set[str | None] | None = {use.part for use in uses}
        if any('"act": "consumed"' in use.said for use in uses):
            parts = {*(parts or ()), "paste"}
        if self._asked.part is not None:
            parts = {self._asked.part}
        elif not uses:
            parts = None
            self.unbounded.append(
                f"the record does not know {named(self._asked)}: where no reel or lot was told it may be any part; --part"
                " narrows it"
            )
        unknown = [*self._derived.unknown("unknown")]
        if kinds != ["container"]:
            unknown += self._derived.unknown("unknown_lot")
        known = {use.use for use in uses}
        self._add(
            u for u in unknown if u.use not in known and (parts is None or u.part is None or u.part in parts)
        )
        self._unnamed(value, parts)

    def _add(self, uses: Iterable[UseRow]) -> None:
        rows = {use.use: use for use in uses}
        told = {number: json.loads(use.said) for number, use in rows.items()}
        for carry in self._derived.carries(list(rows)):
            use, said = rows[carry.use], told[carry.use]
            self._uses.setdefault(carry.board, []).append(
                Use(
                    station=use.station, side=use.side, slot=use.slot, designators=tuple(said.get("places") or ()),
                    from_=_when(carry.since), to=_time(carry.until), now=bool(use.now), certainty=use.certainty,
                    probability=use.probability, reason=use.why, confirm=use.confirm,
                )
            )  # fmt: skip

    def _look_at(self, use: UseRow) -> None:
        """Note where and when something was in use, for what may be missing there."""
        if use.station is None:
            return
        times = [carry.since for carry in self._derived.carries([use.use])]
        for line in self._derived.lines_of(use.station) if times else ():
            self._stretch(_Span(line, use.station, min(times), max(times)))

    def _stretch(self, span: _Span) -> None:
        key = span.line, span.station
        known = self._spans.get(key, span)
        self._spans[key] = _Span(*key, min(known.since, span.since), max(known.until, span.until))

    def _program(self, program: str) -> None:
        self.took.append("program")
        wanted = self._asked.program_revision
        for row in self._derived.by_program(program):
            if wanted is not None and row.program_revision not in (None, wanted):
                continue
            doubt = (
                "the source does not state the revision" if wanted and row.program_revision is None else None
            )
            self._pass(row, doubt)
        stray = [
            use
            for use in self._derived.uses(["program"], program)
            if wanted is None or json.loads(use.said)["revision"] in (None, wanted)
        ]
        self._add(stray)
        for use in stray:
            self._look_at(use)

    def _equipment(self, equipment: str) -> None:
        rows = self._derived.by_equipment(equipment)
        if rows:
            self.took.append("equipment")
        for row in rows:
            self._pass(row, None)
        spans: dict[tuple[str, str], tuple[int, int]] = {}
        for row in rows:
            first, last = spans.get((row.line, row.station), (row.since, row.since))
            spans[row.line, row.station] = min(first, row.since), max(last, row.since)
        for (line, station), (first, last) in spans.items():
            for row in self._derived.unstated_equipment(line, station, first, last):
                self._pass(
                    row, f"at {station} while {equipment} stood there; the source does not name the machine"
                )
        told = {board for board in self._uses}
        for span in self._declared(equipment):
            for row in self._derived.unstated_equipment(*span):
                if row.board not in told:
                    self._pass(row, f"at {span.station}, where {equipment} was declared to stand then")

    def _declared(self, equipment: str) -> Iterator[_Span]:
        """Where and when a machine was declared to stand, by the declarations valid then."""
        upto = self._record.as_of().number
        facts: list[Fact] = []
        while found := self._record.reader.typed([DECLARED], facts[-1].number if facts else 0, upto, 1000):
            facts += found
        held = {
            fact.number
            for fact in holding(
                self._record.reader, self._record.index, [fact.number for fact in facts], upto
            )
        }
        lines: dict[str, list[Fact]] = {}
        for fact in facts:
            if fact.number in held:
                lines.setdefault(
                    line_of(fact.source).rpartition("/")[0] + "/" + fact.data["line"], []
                ).append(fact)
        for line, stated in lines.items():
            stated.sort(key=lambda fact: instant(fact.data["valid_from"]))
            for place, fact in enumerate(stated):
                since = microseconds(instant(fact.data["valid_from"]))
                later = [microseconds(instant(f.data["valid_from"])) for f in stated[place + 1 :]]
                until = next((time for time in later if time > since), LAST) - 1
                for station in fact.data["stations"]:
                    if station.get("equipment") == equipment:
                        if "equipment" not in self.took:
                            self.took.append("equipment")
                        yield _Span(line, station["name"], since, until)

    def _station(self, station: str) -> None:
        self.took.append("station")
        since = FIRST if self._asked.from_ is None else microseconds(self._asked.from_)
        until = LAST if self._asked.to is None else microseconds(self._asked.to)
        for row in self._derived.at_station(station, since, until):
            left = row.until >= since
            self._pass(row, None if left else "last seen there before; when it left is not known", look=False)
        for line in self._derived.lines_of(station):
            self._stretch(_Span(line, station, since, until))

    def _pass(self, row: PassageRow, doubt: str | None, *, look: bool = True) -> None:
        certainty = "inferred" if doubt and row.certainty == "observed" else row.certainty
        reason = "; ".join(text for text in (doubt, row.why) if text) or None
        self._uses.setdefault(row.board, []).append(
            Use(row.station, row.side, None, (), _when(row.since), _when(row.until), False, certainty,
                row.probability, reason, None)
        )  # fmt: skip
        if look:
            self._stretch(_Span(row.line, row.station, row.since, row.until))

    # -- what may be missing ------------------------------------------------------------------------------

    def _widen(self) -> None:
        """Boards that may have been at a station unseen: they were on its line while something is missing there."""
        widened = 0
        for span in sorted(self._spans.values()):
            undated = 0
            for gap in self._missing(span):
                kind, source = gap.fact.type, gap.fact.source
                since, until = map(microseconds, extent(gap))
                if kind == "source.rejected" and since == FIRST:
                    undated += 1
                    continue
                if since == FIRST or until == LAST:
                    when = (
                        "at any time before" if since == FIRST else f"since {_when(since):%Y-%m-%d %H:%M:%S}"
                    )
                    self.unbounded.append(f"{span.station}: {source} has an open gap {when}")
                    continue
                widened += 1
                what = "has a gap" if kind == "source.gap" else "has a record that could not be used,"
                why = (
                    f"on the line but not seen at {span.station}, where {source} {what}"
                    f" {_when(since):%Y-%m-%d %H:%M:%S} to {_when(until):%H:%M:%S}"
                )
                for board in self._unseen(span, since - _BESIDE, until + _BESIDE):
                    self._uses.setdefault(board, []).append(
                        Use(span.station, None, None, (), _when(since), _when(until), False, "inferred", _UNSEEN, why,
                            f"confirm what passed {span.station} from {_when(since):%Y-%m-%d %H:%M:%S} to {_when(until):%H:%M:%S}")
                    )  # fmt: skip
            if undated:
                counted = f"more than {UNDATED}" if undated > UNDATED else str(undated)
                self.unbounded.append(
                    f"{span.station}: {counted} records without a time of their own could not be used: they may be of any"
                    " time before they were saved"
                )
        if widened:
            self.notes.append(f"widened over {widened} gaps and unusable records in its places and times")

    def _disputed(self) -> None:
        """Boards that may be meant where names contradict each other: on the line then, and not seen at the station."""
        spans: set[tuple[_Span, str | None]] = set()
        for board, uses in self._uses.items():
            places = {(use.station, use.side) for use in uses if use.certainty == "conflicting"}
            if not places:
                continue
            for row in self._derived.passages_of(board):
                if (row.station, row.side) in places:
                    until = row.until if row.latest is None else row.latest
                    spans.add((_Span(row.line, row.station, row.since, until), row.side))
        others = {
            (span, side): self._unseen(span, span.since - _BESIDE, span.until + _BESIDE)
            for span, side in sorted(spans, key=str)
        }
        for (span, side), boards in others.items():
            when = f"{_when(span.since):%Y-%m-%d %H:%M:%S}"
            why = f"names contradict each other for a board at {span.station} at {when}; this one was on the line and not seen there"
            for board in boards:
                self._uses.setdefault(board, []).append(
                    Use(span.station, side, None, (), _when(span.since), _when(span.until), False, "inferred", _UNSEEN,
                        why, f"confirm which board was at {span.station} at {when}")
                )  # fmt: skip

    def _silent(self) -> None:
        """Boards that were at a station while it was in use there, of which the station does not say what it put on them."""
        sides = {(use.station, use.side) for uses in self._uses.values() for use in uses}
        parts = {row.part for row in self._derived.boards(self._uses)}
        for span in sorted(self._spans.values()):
            rows = [
                row
                for row in self._derived.silent(
                    span.line, span.station, span.since - _CLOCKS, span.until + _CLOCKS
                )
                if row.board not in self._uses and {(span.station, row.side), (span.station, None)} & sides
            ]
            alike = {
                b.board
                for b in self._derived.boards({row.board for row in rows})
                if b.part is None or b.part in parts
            }
            for row in rows:
                if row.board not in alike:
                    continue
                when = f"{_when(row.since):%Y-%m-%d %H:%M:%S}"
                self._uses[row.board] = [
                    Use(span.station, row.side, None, (), _when(row.since), _when(row.until), True, "inferred", _UNSEEN,
                        f"at {span.station} about the time it was in use there; the station does not say what it did with it",
                        f"confirm what {span.station} did with the board of {when}")
                ]  # fmt: skip

    def _passed_by(self) -> None:
        """Boards seen before and behind a station that all others pass, and not at it, while it was in use there."""
        for span in sorted(self._spans.values()):
            for side, boards in self._derived.sides_on_line(span.line, span.since, span.until).items():
                went = {
                    board
                    for board, seen in self._derived.went_to(boards, span.station)
                    if seen in (side, None)
                }
                if len(went) < _ALL * len(boards):
                    continue
                behind = self._behind(span.station, side, sorted(went)[:_SAMPLE])
                for board in sorted(boards - went - self._uses.keys()):
                    rows = self._derived.passages_of(board)
                    if any(row.side == side and row.station in behind for row in rows):
                        why = f"seen behind {span.station} and not at it, where all others passed while it was in use"
                        self._uses[board] = [
                            Use(span.station, side, None, (), _when(span.since), _when(span.until), True, "inferred",
                                _UNSEEN, why, f"confirm which boards passed {span.station} unseen")
                        ]  # fmt: skip

    def _behind(self, station: str, side: str, boards: Iterable[int]) -> set[str]:
        found: set[str] = set()
        for board in boards:
            way = [row.station for row in self._derived.passages_of(board) if row.side == side]
            if station in way:
                found.update(way[len(way) - way[::-1].index(station) :])
        return found - {station}

    def _missing(self, span: _Span) -> list[Statement]:
        """Gaps and unusable records that hold, of a station or of sources that do not say of which."""
        first, last = max(span.since, FIRST + _BESIDE) - _BESIDE, min(span.until, LAST - _BESIDE) + _BESIDE
        upto = self._record.as_of().number
        numbers = self._record.index.missing_of(span.line, span.station, first, last, upto)
        found = opened(holding(self._record.reader, self._record.index, numbers, upto))
        return [
            s for s in found if microseconds(extent(s)[0]) <= last and microseconds(extent(s)[1]) >= first
        ]

    def _unseen(self, span: _Span, since: int, until: int) -> set[int]:
        there: dict[int, set[str | None]] = {}
        for row in self._derived.on_line(span.line, since, until):
            if row.board not in self._uses:
                there.setdefault(row.board, set()).add(row.side)
        went = self._derived.went_to(there, span.station)
        sides_of: dict[int, set[str | None]] = {}
        for board, side in went:
            sides_of.setdefault(board, set()).add(side)
        return {
            board
            for board, sides in there.items()
            if board not in sides_of or ((known := sides - {None}) and not known & sides_of[board] and None not in sides_of[board])
        }  # fmt: skip

    def _unnamed(self, value: str, parts: set[str | None] | None) -> None:
        """What was used on boards that nobody named: any that was there about then, and of which nothing is said."""
        lost: list[NamelessRow] = []
        either = [
            row for row in self._derived.nameless("") if parts is None or not row.part or row.part in parts
        ]
        for row in [*self._derived.nameless(value), *either]:
            self._stretch(_Span(row.line, row.station, row.since, row.since))
            there = self._derived.silent(row.line, row.station, row.since - _CLOCKS, row.since + _CLOCKS)
            why = (
                f"{row.station} used it on a board that it did not name ({_when(row.since):%Y-%m-%d %H:%M:%S} by its clock),"
                " and says nothing of this one, which was there about then"
            )
            ask = f"confirm which board was at {row.station} at {_when(row.since):%Y-%m-%d %H:%M:%S}"
            for passage in there:
                self._uses.setdefault(passage.board, []).append(
                    Use(passage.station, passage.side, None, (), _when(passage.since), _when(passage.until), True,
                        "inferred", round(1 / len(there), 4), why, ask)
                )  # fmt: skip
            if not there:
                lost.append(row)
        for row in lost[:5]:
            self.unbounded.append(
                f"{row.station}: it was used on a board that nobody named, {_when(row.since):%Y-%m-%d %H:%M:%S}"
            )
        if len(lost) > 5:
            self.unbounded.append(f"and on {len(lost) - 5} more that nobody named")

    def _limits(self) -> None:
        lines = sorted({span.line for span in self._spans.values()})
        missing: dict[str, int] = {}
        if self._record.reader.head().commit == self._record.as_of().commit:
            for progress in self._record.reader.progress():
                count = sum(last - first + 1 for first, last in progress.missing())
                missing[progress.source] = missing.get(progress.source, 0) + count
        for source, count in sorted(missing.items()):
            if count and (not lines or source.rpartition("/")[0] in lines):
                self.unbounded.append(f"{source} has not caught up: {count} events are missing")
        crowded = self._derived.crowded()
        if crowded:
            self.unbounded.append(f"{crowded} identifiers name too many things to tell them apart")


def _use_order(use: Use) -> tuple[bool, datetime, str, str, str]:
    return use.certainty != "observed", use.from_, use.station or "", use.slot or "", use.reason or ""


def _when(instant: int) -> datetime:
    return _EPOCH + timedelta(
        microseconds=max(min(instant, 253_402_300_799_999_999), -62_135_596_800_000_000)
    )


def _time(instant: int | None) -> datetime | None:
    return None if instant is None else _when(instant)

"""A history in words that can be read aloud. Pure: a history in, lines of at most 96 columns out."""

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Final, Protocol

from broker_bridge.cli import material_words
from broker_bridge.trace.attempts import Test
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.gaps import Source
from broker_bridge.trace.genealogy import Kin
from broker_bridge.trace.history import Completeness, History
from broker_bridge.trace.inspections import Call, Coverage, Inspection, Place
from broker_bridge.trace.levels import Level
from broker_bridge.trace.loops import Loop
from broker_bridge.trace.magazines import Storage
from broker_bridge.trace.portrait import Identity, Key
from broker_bridge.trace.readings import Reading
from broker_bridge.trace.visits import Program, Visit

WIDTH: Final = 96
_MOST: Final = 20
"""Gaps and materials told one by one; the rest is counted, --json has them all."""


class _Doubtful(Protocol):
    @property
    def certainty(self) -> str: ...
    @property
    def probability(self) -> float | None: ...
    @property
    def reason(self) -> str | None: ...


def words(history: History, *, evidence: bool = False) -> Iterator[str]:
    """The lines. `evidence` adds the events each statement stands on."""
    told = _Telling(evidence)
    told.identity(history.identity)
    told.genealogy(history.genealogy)
    told.line(
        f"As of commit {history.as_of.commit} of record {history.as_of.record}"
        f" ({history.completeness.statements} of its {history.as_of.number} events are about it). Times are UTC."
        " V1, D1 ... name statements: --why V1 tells what one stands on."
    )
    told.held(history)
    told.findings(history)
    told.route(history.route)
    told.loops(history.loops)
    told.magazines(history.magazines)
    told.inspections(history.inspections)
    told.tests(history.tests)
    told.defects(history)
    told.rework(history)
    told.materials(history)
    told.readings(history.readings)
    told.decisions(history)
    told.gaps(history)
    told.completeness(history.completeness)
    yield from told.lines


class _Telling:
    """The lines so far, and the date that was said last."""

    def __init__(self, evidence: bool) -> None:
        self.lines: list[str] = []
        self._evidence = evidence
        self._date = ""

    def line(self, text: str, indent: int = 0, mark: str = "") -> None:
        """One paragraph, wrapped; `mark` stands before its first line."""
        first = " " * indent + mark
        self.lines.extend(
            textwrap.wrap(
                safe(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first),
                break_on_hyphens=False,
            )
            or [first.rstrip()]
        )  # fmt: skip

    def section(self, title: str) -> None:
        self.lines.append("")
        self.line(title)
        self._date = ""

    def when(self, time: datetime) -> str:
        """A time of day; the date where it is another one than was said last."""
        date, clock = f"{time:%Y-%m-%d}", f"{time:%H:%M:%S}"
        if date == self._date:
            return clock
        self._date = date
        return f"{date} {clock}"

    def doubt(self, statement: _Doubtful, indent: int = 5) -> None:
        if statement.certainty != "observed":
            share = "" if statement.probability is None else f" (probability {statement.probability:g})"
            self.line(f"{statement.certainty.upper()}{share}: {statement.reason}", indent)
        elif statement.reason:
            self.line(f"note: {statement.reason}", indent)

    def proof(self, evidence: Iterable[Evidence], indent: int = 5) -> None:
        if self._evidence:
            for event in evidence:
                self.line(f"evidence: {event.source} {event.id}", indent)

    # -- sections -----------------------------------------------------------------------------------------

    def identity(self, who: Identity) -> None:
        self.line(f"{who.unit.capitalize()} {_key(who.key)}")
        facts = [
            who.panel and who.position and f"position {who.position} of panel {who.panel.value}",
            who.panel and not who.position and f"of panel {who.panel.value}, position not known",
            who.assembly and f"in assembly {who.assembly.value}",
            who.part_number
            and f"part {who.part_number}{f' revision {who.revision}' if who.revision else ''}",
            who.work_orders and f"work order {', '.join(order.order for order in who.work_orders)}",
            who.purpose and who.purpose.replace("_", " "),
        ]
        stated = "; ".join(fact for fact in facts if fact)
        if stated:
            self.line(stated, 2)
        for number, identifier in enumerate(who.identifiers, 1):
            if (identifier.kind, identifier.value) == (who.key.kind, who.key.value):
                continue
            how = ", ".join(word.replace("_", " ") for word in identifier.how)
            self.line(f"also known as {identifier.kind} {identifier.value} ({how})", 2, f"K{number} ")
            self.doubt(identifier, 5)
        for number, state in enumerate(who.states, 1):
            text = f"{state.station or 'a source'} says at {self.when(state.time)}: {state.state}"
            self.line(text, 2, f"S{number} ")
        for item in who.characteristics:
            self.line(f"{item.name}: {item.value}", 2)
        if who.boards:
            named = [f"{m.position or '?'}: {m.value or 'no serial known'}" for m in who.boards]
            self.line("boards by position, each with a history of its own: " + "; ".join(named), 2)

    def genealogy(self, kin: Sequence[Kin]) -> None:
        for number, one in enumerate(kin, 1):
            if one.relation == "part_of" and one.depth == 1 and one.now and one.certainty == "observed":
                continue  # said with the identity
            if one.relation == "holds" and one.depth == 1 and one.now and one.unit == "board":
                continue
            place = f"position {one.position} of " if one.position and one.relation == "part_of" else ""
            word = "part of" if one.relation == "part_of" else "holds"
            through = f", through {one.through}" if one.through else ""
            until = f", until {self.when(one.to)}" if one.to else ""
            if not one.now:
                word = "was part of" if one.relation == "part_of" else "held"
            self.line(f"{word} {place}{one.unit} {one.value}{through}{until}", 2, f"P{number} ")
            self.doubt(one, 5)

    def held(self, history: History) -> None:
        for hold in history.held:
            number = f" (hold {hold.hold})" if hold.hold else ""
            self.line(
                f"ON HOLD since {self.when(hold.time)}{number}: {hold.why or 'no reason stated'}.", 2, "! "
            )

    def findings(self, history: History) -> None:
        if not history.findings:
            return
        self.section(f"Findings: {len(history.findings)}, for a person to look at")
        for number, finding in enumerate(history.findings, 1):
            self.line(f"{finding.text}.", 2, f"F{number} ")
            self.proof(finding.evidence)

    def route(self, route: Sequence[Visit]) -> None:
        self.section(f"Route: {_count(len(route), 'visit')}")
        for number, visit in enumerate(route, 1):
            where = visit.station or "one of " + ", ".join(visit.candidates)
            place = [
                where,
                visit.side,
                visit.lane and f"lane {visit.lane}",
                visit.pass_ > 1 and f"pass {visit.pass_}",
            ]
            text = f"{', '.join(str(part) for part in place if part)}: {self._stay(visit)}."
            program = f" Program {_program(visit.program)}." if visit.program else ""
            program += f" Batch {visit.batch}." if visit.batch else ""
            result = f" Outcome {visit.outcome}." if visit.outcome else " No outcome stated."
            handed = f" Handed on as {visit.handed_on}." if visit.handed_on else ""
            by_hand = " Inserted by hand." if visit.came == "inserted" else ""
            by_hand += " Taken out by hand." if visit.left == "removed" else ""
            self.line(text + program + result + handed + by_hand, 2, f"V{number} ")
            self.doubt(visit)
            self.proof(visit.evidence)

    def loops(self, found: Sequence[Loop]) -> None:
        if not found:
            return
        self.section(f"Came back: {_count(len(found), 'time')}")
        for number, one in enumerate(found, 1):
            by = (
                f" by way of {', '.join(one.through)}"
                if one.through
                else ", where it was meanwhile is not known"
            )
            why = f" ({one.why.replace('_', ' ')})" if one.why else " (why is not known)"
            side = f" {one.side}" if one.side else ""
            self.line(
                f"{one.station}{side}: left {self.when(one.left)}, back {self.when(one.back)}{by}{why}; pass {one.pass_}.",
                2, f"L{number} ",
            )  # fmt: skip

    def magazines(self, found: Sequence[Storage]) -> None:
        if not found:
            return
        self.section(f"In magazines: {_count(len(found), 'time')}; contents are proven only while sealed")
        for number, one in enumerate(found, 1):
            out = f"out {self.when(one.to)}" if one.to else "nothing shows that it came out"
            sealed = f"; sealed {self.when(one.sealed)}" if one.sealed else "; never sealed"
            opened = f", opened {self.when(one.opened)}" if one.opened else ""
            self.line(
                f"{one.magazine}, slot {one.slot}: in {self.when(one.from_)}, {out}{sealed}{opened}.",
                2,
                f"C{number} ",
            )
            self.doubt(one)
            self.proof(one.evidence)

    def _stay(self, visit: Visit) -> str:
        match visit.arrived_certainty:
            case "observed":
                came = f"arrived {self.when(visit.arrived)}"
            case "inferred":
                came = f"there from {self.when(visit.arrived)} or before (arrival not seen)"
            case _:
                came = f"arrived {self.when(visit.arrived)} (in doubt)"
        if visit.departed is None:
            return f"{came}; nothing shows that it left"
        if visit.departed_certainty == "observed":
            return f"{came}, left {self.when(visit.departed)}"
        if visit.departed_certainty == "inferred":
            by = f", elsewhere by {self.when(visit.departed_by)}" if visit.departed_by else ""
            return f"{came}, last seen there {self.when(visit.departed)} (departure not seen{by})"
        return f"{came}, left {self.when(visit.departed)} (in doubt)"

    def inspections(self, found: Sequence[Inspection]) -> None:
        self.section(f"Inspections: {len(found)}")
        for number, one in enumerate(found, 1):
            time = one.started or one.ended
            place = [one.station or "station not known", one.side, one.method, time and self.when(time)]
            scope = (
                ""
                if one.scope == "board"
                else f" of the {one.scope}"
                if one.scope != "several"
                else " of several boards"
            )
            text = f"{', '.join(str(part) for part in place if part)}: {_outcome(one.outcome)}{scope}"
            cause = f" ({one.cause})" if one.cause else ""
            program = f"; program {_program(one.program)}" if one.program else ""
            self.line(f"{text}{cause}; {_count(len(one.calls), 'call')}{program}.", 2, f"I{number} ")
            self.line(_coverage(one.coverage), 5)
            for call in one.calls:
                self.line(self._call(call), 5, "- ")
            for paste in one.paste:
                out = "" if paste.out_of_limits is None else f", {paste.out_of_limits} out of limits"
                self.line(f"paste measured on {_count(paste.pads, 'pad')}{out} (values: --paste)", 5)
            if one.outcome_after_review:
                after = one.outcome_after_review
                self.line(f"after review: {'not stated by the reviewer' if after == 'unknown' else after}", 5)
            self.doubt(one)
            self.proof(one.evidence)

    def _call(self, call: Call) -> str:
        text = f"{_place(call.place)}: {call.label}"
        if not call.verdicts:
            return f"{text}; not reviewed"
        given = [
            f"{v.verdict.replace('_', ' ')} by a {v.by}{f' at {v.station}' if v.station else ''}, {self.when(v.time)}"
            + (f" ({v.defect})" if v.defect else "")
            + ("" if v.certainty == "observed" else f" [{v.certainty}: {v.reason}]")
            for v in call.verdicts
        ]
        return f"{text}; {'; then '.join(given)}"

    def tests(self, found: Sequence[Test]) -> None:
        if not found:
            return
        self.section(f"Tests: {_count(len(found), 'attempt')}")
        for number, one in enumerate(found, 1):
            attempt = f"attempt {one.attempt}" if one.attempt else "attempt not numbered"
            fixture = f", fixture {one.fixture}" if one.fixture else ""
            place = f"{one.station or 'station not known'}, {one.method.replace('_', ' ')}"
            time = f", {self.when(one.begun)}" if one.begun else ""
            self.line(f"{place}{time}, {attempt}{fixture}: {_outcome(one.outcome)}.", 2, f"T{number} ")
            for step in one.failed_steps:
                value = step.text if step.value is None else f"{step.value:g} {step.unit or ''}".strip()
                self.line(f"failed step {step.name}: {value or 'no value'}", 5, "- ")
            for call in one.calls:
                self.line(self._call(call), 5, "- ")
            self.doubt(one)
            self.proof(one.evidence)

    def defects(self, history: History) -> None:
        standing = history.standing
        if standing.called:
            self.section(
                f"Defects: {_count(standing.called, 'place')} called; {standing.confirmed} confirmed;"
                f" {standing.not_reviewed} not judged; {standing.open} still open"
            )
            told = (
                ("as inspected", standing.inspected_until),
                ("as reviewed", standing.reviewed_until),
                ("as reworked", standing.reworked_until),
            )
            self.line("; ".join(f"{word} until {self.when(time)}" for word, time in told if time) + ".", 2)
        for number, one in enumerate(history.defects, 1):
            mended = f", {self.when(one.reworked)}" if one.reworked else ""
            again = f", looked at again {self.when(one.looked_again)}" if one.looked_again else ""
            self.line(
                f"{_place(one.place)}: {one.defect}, called at {one.station or 'a station not known'},"
                f" confirmed {self.when(one.confirmed)}; {one.state.replace('_', ' ')}{mended}{again}.",
                2, f"D{number} ",
            )  # fmt: skip
            for escape in one.escaped:
                how = (
                    "called nothing there"
                    if escape.how == "not_called"
                    else "its call there was judged false"
                )
                self.line(
                    f"escaped {escape.station or 'a station not known'}, {self.when(escape.time)}: {how}", 5
                )
            for left in one.left:
                self.line(f"the board left with it open: {left.what}, {self.when(left.time)}", 5)
            self.doubt(one)
            self.proof(one.evidence)
        for number, call in enumerate(history.undecided, 1):
            again = f"; not called again {self.when(call.looked_again)}" if call.looked_again else ""
            left_with = "".join(f"; the board left with it: {left.what}" for left in call.left)
            self.line(
                f"{_place(call.place)}: {call.label}, called at {call.station or 'a station not known'}"
                f" {self.when(call.called)}; not judged{again}{left_with}.",
                2, f"U{number} ",
            )  # fmt: skip
            self.doubt(call)
            self.proof(call.evidence)

    def rework(self, history: History) -> None:
        if not history.rework:
            return
        self.section(f"Rework: {len(history.rework)}")
        for number, one in enumerate(history.rework, 1):
            done = "; ".join(
                f"{_place(action.place)} {action.action}"
                + (f", lot {' '.join(action.installed)} installed" if action.installed else "")
                for action in one.actions
            )
            self.line(
                f"{one.station or 'station not known'}, {self.when(one.ended)}: {one.kind.replace('_', ' ')},"
                f" {one.outcome}{f': {done}' if done else ''}.", 2, f"R{number} ",
            )  # fmt: skip
            if one.left:
                self.line(f"left as they were: {', '.join(map(_place, one.left))}", 5)
            self.doubt(one)
            self.proof(one.evidence)

    def materials(self, history: History) -> None:
        if not history.materials and not history.tools:
            return
        self.section(f"Materials: {material_words.summary(history.materials)}")
        for mark, text, one in material_words.told(history.materials, history.tools):
            if isinstance(mark, int):
                self.line(text, mark)
                continue
            self.line(text, 4, f"{mark} ")
            if one is not None:
                self.doubt(one, 7)
                self.proof(one.evidence, 7)

    def readings(self, found: Sequence[Reading]) -> None:
        if found:
            self.section(f"Process values while it was there: {_count(len(found), 'reading')}")
        for number, one in enumerate(found[:_MOST], 1):
            stage = f" {one.stage}" if one.stage else ""
            values = [
                f"{v.name} {v.text if v.value is None else f'{v.value:g}'}{f' {v.unit}' if v.unit else ''}"
                for v in one.values
            ]
            self.line(f"{one.station}{stage}, {self.when(one.time)}: {', '.join(values)}", 2, f"E{number} ")
            self.doubt(one)
            self.proof(one.evidence)
        self._rest(len(found))

    def decisions(self, history: History) -> None:
        if not history.decisions:
            return
        self.section("Decisions and notes")
        for number, one in enumerate(history.decisions, 1):
            what = f" {one.what.replace('_', ' ')}" if one.what else ""
            hold = f", hold {one.hold}" if one.hold else ""
            why = f": {one.why}" if one.why else ""
            who = f" ({one.who})" if one.who else ""
            kind = one.type.partition(".")[2].replace("_", " ")
            self.line(f"{self.when(one.time)} {kind}{what}{hold}{who}{why}", 2, f"N{number} ")
            self.doubt(one)
            self.proof(one.evidence)

    def gaps(self, history: History) -> None:
        self.section(f"What may be missing: {_count(len(history.gaps), 'gap')} in its time and place")
        for number, gap in enumerate(history.gaps[:_MOST], 1):
            start = self.when(gap.from_) if gap.from_ else "not known when"
            end = self.when(gap.to) if gap.to else "not known when, or still open"
            cause = gap.cause.replace("_", " ")
            match gap.kind:
                case "silent":
                    text = f"{gap.where}: declared for this line, nothing known of the board there ({cause})"
                case "unjoined":
                    text = f"{gap.where}: {cause}; {gap.detail}"
                case "rejected":
                    text = f"{gap.where}: {start}, a record could not be used ({cause}: {gap.detail})"
                case _:
                    detail = f": {gap.detail}" if gap.detail else ""
                    text = f"{gap.where}: from {start} to {end}, statements may be lost ({cause}{detail})"
            self.line(text, 2, f"G{number} ")
            self.proof(gap.evidence)
        self._rest(len(history.gaps))

    def completeness(self, known: Completeness) -> None:
        self.section("How far this goes")
        if known.first_seen and known.last_seen:
            self.line(
                f"Seen from {self.when(known.first_seen)} to {self.when(known.last_seen)}; nothing is known after that.",
                2,
            )
        else:
            self.line("Never seen at a station.", 2)
        behind = [text for source in known.sources if (text := self._behind(source))]
        self.line(
            f"{_count(len(known.sources), 'source')} speak of its lines; not caught up: {'; '.join(behind) or 'none'}.",
            2,
        )
        if any(source.missing is None for source in known.sources):
            self.line("What was missing from each source at that commit is not known.", 2)
        if known.open_reviews:
            self.line(f"{_count(known.open_reviews, 'call')} not reviewed or undecided.", 2)
        if known.open_defects:
            self.line(f"{_count(known.open_defects, 'confirmed defect')} with no rework known.", 2)
        if known.without_result:
            self.line(f"{_count(known.without_result, 'visit')} without a stated outcome: no passes.", 2)
        for level in known.levels:
            self._level(level)
        self.line(f"Materials: {known.materials}.", 2)
        self.line("")
        self.line(known.caution)

    def _level(self, level: Level) -> None:
        self.line(
            f"IPC-1782, {level.of}: this record supports level {level.level} ({level.name})"
            f"{'; for the next one is missing:' if level.lacks else '.'}",
            2,
        )
        for lack in level.lacks:
            basis = "" if lack.basis == "public" else " [requirement from memory]"
            self.line(f"{lack.requirement}{basis}: {', '.join(lack.missing)}", 5, "- ")

    def _behind(self, source: Source) -> str:
        away = [
            f"{heard.station or 'the machine'} not heard since {self.when(heard.since)}"
            for heard in source.hearing
            if not heard.connected
        ]
        missing = [f"{source.missing} events missing"] if source.missing else []
        return f"{source.source} ({', '.join(away + missing)})" if away or missing else ""

    def _rest(self, count: int) -> None:
        if count > _MOST:
            self.line(f"and {count - _MOST} more: --json tells them all", 2)


def safe(text: str) -> str:
    """A text of which a terminal obeys nothing."""
    # A label from a machine may hold bytes that a terminal would obey.
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def _key(key: Key) -> str:
    return f"at position {key.position} of panel {key.value}" if key.position is not None else key.value


def _program(program: Program) -> str:
    revision = f" revision {program.revision}" if program.revision else ", revision not stated"
    return program.name + ("" if program.hash and not program.revision else revision)


def _outcome(outcome: str) -> str:
    text = outcome.replace("_", " ")
    return text if outcome in ("passed", "failed") else f"{text}, which is no pass"


def _coverage(coverage: Coverage | None) -> str:
    if coverage is None:
        return "coverage not stated"
    counted = [part for part in (coverage.inspected, coverage.total) if part is not None]
    text = f"coverage {' of '.join(map(str, counted)) or 'not counted'} {coverage.of or ''}".rstrip()
    left = f"; left out by the program: {', '.join(coverage.left_out)}" if coverage.left_out else ""
    sampling = f"; sampling {coverage.sampling}" if coverage.sampling else ""
    return text + left + sampling


def _place(place: Place) -> str:
    parts = (
        place.designator,
        place.termination and f"termination {place.termination}",
        place.pad and f"pad {place.pad}",
    )
    return " ".join(part for part in parts if part) or "place not stated"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"

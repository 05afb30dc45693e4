"""A history in words that can be read aloud. Pure: a history in, lines of at most 96 columns out."""

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final

from broker_bridge.trace.attempts import Test
from broker_bridge.trace.gaps import Source
from broker_bridge.trace.genealogy import Kin
from broker_bridge.trace.history import Completeness, History
from broker_bridge.trace.inspections import Call, Inspection
from broker_bridge.trace.levels import Level
from broker_bridge.trace.loops import Loop
from broker_bridge.trace.magazines import Storage
from broker_bridge.trace.portrait import Identity, Key
from broker_bridge.trace.readings import Reading
from broker_bridge.trace.units import unit_words
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Visit
from broker_bridge.words import materials as material_words
from broker_bridge.words.telling import (
    Doubtful,
    Telling,
    counted,
    coverage_words,
    outcome_words,
    place_words,
    program_words,
    safe,
    still_open,
)

_APART: Final = timedelta(minutes=10)
"""Readings of one station further apart are told as of two visits; common practice, no source."""

_MOST: Final = 20
"""Gaps that a terminal is told one by one; the rest is counted, --json has them all."""


class Paragraph(Value):
    """One statement in words, or what is added to the one before."""

    mark: str
    """Its reference (V3, D1), "!" or "-"; empty where it adds to what stands before."""
    text: str
    depth: int
    """0: of the board; 1: a statement; 2: added to it."""
    doubt: bool
    """It says why a statement is not observed."""


class Section(Value):
    """What is told under one title."""

    title: str
    """Empty for what comes first: who it is, and what holds it."""
    paragraphs: tuple[Paragraph, ...]


def words(history: History, *, evidence: bool = False) -> Iterator[str]:
    """The lines. `evidence` adds the events each statement stands on."""
    told = _Telling(evidence)
    _tell(told, history)
    yield from told.lines


def sections(history: History, when: Callable[[datetime], str] | None = None) -> list[Section]:
    """The same words, unwrapped, for paper and pages: nothing is left out, times carry their date or are as `when` tells."""
    told = _Paper() if when is None else _Page(when)
    _tell(told, history)
    return [Section(title, tuple(paragraphs)) for title, paragraphs in told.sections]


def _tell(told: "_Telling", history: History) -> None:
    told.identity(history.identity)
    told.genealogy(history.genealogy)
    told.line(
        f"As of commit {history.as_of.commit} of record {history.as_of.record}"
        f" ({history.completeness.statements} of its {history.as_of.number} events are about it)."
        f" {told.references}"
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


class _Telling(Telling):
    """The sections of a history."""

    references = "Times are UTC. V1, D1 ... name statements: --why V1 tells what one stands on."
    values = " (values: --paste)"
    most: int | None = _MOST

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
        self.section(f"Route: {counted(len(route), 'visit')}")
        for number, visit in enumerate(route, 1):
            where = visit.station or "one of " + ", ".join(visit.candidates)
            place = [
                where,
                visit.side,
                visit.lane and f"lane {visit.lane}",
                visit.pass_ > 1 and f"pass {visit.pass_}",
            ]
            text = f"{', '.join(str(part) for part in place if part)}: {self._stay(visit)}."
            program = f" Program {program_words(visit.program)}." if visit.program else ""
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
        self.section(f"Came back: {counted(len(found), 'time')}")
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
        self.section(f"In magazines: {counted(len(found), 'time')}; contents are proven only while sealed")
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
            time = self._began(one.started or one.ended, one.corrected)
            place = [one.station or "station not known", one.side, one.method, time]
            scope = (
                ""
                if one.scope == "board"
                else f" of the {one.scope}"
                if one.scope != "several"
                else " of several boards"
            )
            text = f"{', '.join(str(part) for part in place if part)}: {outcome_words(one.outcome)}{scope}"
            cause = f" ({one.cause})" if one.cause else ""
            program = f"; program {program_words(one.program)}" if one.program else ""
            self.line(f"{text}{cause}; {counted(len(one.calls), 'call')}{program}.", 2, f"I{number} ")
            self.line(coverage_words(one.coverage), 5)
            for call in one.calls:
                self.line(self._call(call), 5, "- ")
            for paste in one.paste:
                out = "" if paste.out_of_limits is None else f", {paste.out_of_limits} out of limits"
                self.line(f"paste measured on {counted(paste.pads, 'pad')}{out}{self.values}", 5)
            if one.outcome_after_review:
                after = one.outcome_after_review
                self.line(f"after review: {'not stated by the reviewer' if after == 'unknown' else after}", 5)
            if one.clock:
                self.line(f"note: {one.clock}", 5)
            self.doubt(one)
            self.proof(one.evidence)

    def _began(self, stated: datetime | None, corrected: datetime | None) -> str:
        if stated is None or corrected is None:
            return self.when(stated) if stated else ""
        return f"{self.when(corrected)} ({self.when(stated)} by its machine's clock)"

    def _call(self, call: Call) -> str:
        text = f"{place_words(call.place)}: {call.label}"
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
        self.section(f"Tests: {counted(len(found), 'attempt')}")
        for number, one in enumerate(found, 1):
            attempt = f"attempt {one.attempt}" if one.attempt else "attempt not numbered"
            fixture = f", fixture {one.fixture}" if one.fixture else ""
            place = f"{one.station or 'station not known'}, {one.method.replace('_', ' ')}"
            time = f", {self._began(one.begun, one.corrected)}" if one.begun else ""
            self.line(f"{place}{time}, {attempt}{fixture}: {outcome_words(one.outcome)}.", 2, f"T{number} ")
            for step in one.failed_steps:
                value = (
                    step.text
                    if step.value is None
                    else f"{step.value:g} {unit_words(step.unit or '')}".strip()
                )
                self.line(f"failed step {step.name}: {value or 'no value'}", 5, "- ")
            for call in one.calls:
                self.line(self._call(call), 5, "- ")
            if one.clock:
                self.line(f"note: {one.clock}", 5)
            self.doubt(one)
            self.proof(one.evidence)

    def defects(self, history: History) -> None:
        standing = history.standing
        if standing.called:
            self.section(
                f"Defects: {counted(standing.called, 'place')} called; {standing.confirmed} confirmed;"
                f" {standing.not_reviewed} not judged; {still_open(standing.open)}"
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
                f"{place_words(one.place)}: {one.defect}, called at {one.station or 'a station not known'},"
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
                f"{place_words(call.place)}: {call.label}, called at {call.station or 'a station not known'}"
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
                f"{place_words(action.place)} {action.action}"
                + (f", lot {' '.join(action.installed)} installed" if action.installed else "")
                for action in one.actions
            )
            self.line(
                f"{one.station or 'station not known'}, {self.when(one.ended)}: {one.kind.replace('_', ' ')},"
                f" {one.outcome}{f': {done}' if done else ''}.", 2, f"R{number} ",
            )  # fmt: skip
            if one.left:
                self.line(f"left as they were: {', '.join(map(place_words, one.left))}", 5)
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
        if not found:
            return
        self.section(f"Process values while it was there: {counted(len(found), 'reading')}")
        last = 0
        while last < len(found):
            first = last
            here = found[first].station, found[first].stage
            while last < len(found) and (found[last].station, found[last].stage) == here:
                if last > first and found[last].time - found[last - 1].time > _APART:
                    break  # of another visit
                last += 1
            run = found[first:last]
            references = f"E{first + 1}" + (f" to E{last}" if len(run) > 1 else "")
            since = self.when(run[0].time)
            until = f" to {self.when(run[-1].time)}" if len(run) > 1 else ""
            place = " ".join(part for part in here if part)
            self.line(f"{place}, {since}{until}: {_ranges(run)}", 2, f"{references} ")
            self.doubt(run[0])
            for one in run:
                self.proof(one.evidence)

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
        self.section(f"What may be missing: {counted(len(history.gaps), 'gap')} in its time and place")
        for number, gap in enumerate(history.gaps[: self.most], 1):
            start = self.when(gap.from_) if gap.from_ else "not known when"
            end = self.when(gap.to) if gap.to else "not known when, or still open"
            cause = gap.cause.replace("_", " ")
            match gap.kind:
                case "silent":
                    text = f"{gap.where}: declared for this line, nothing known of the board there ({cause})"
                case "unjoined":
                    text = f"{gap.where}: {cause}; {gap.detail}"
                case "unnamed":
                    text = f"{gap.where}: {start} to {end}, {gap.detail}"
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
            f"{counted(len(known.sources), 'source')} speak of its lines; not caught up: {'; '.join(behind) or 'none'}.",
            2,
        )
        if any(source.missing is None for source in known.sources):
            self.line("What was missing from each source at that commit is not known.", 2)
        if known.open_reviews:
            self.line(f"{counted(known.open_reviews, 'call')} not reviewed or undecided.", 2)
        if known.open_defects:
            self.line(f"{counted(known.open_defects, 'confirmed defect')} with no rework known.", 2)
        if known.without_result:
            self.line(f"{counted(known.without_result, 'visit')} without a stated outcome: no passes.", 2)
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
        if self.most is not None and count > self.most:
            self.line(f"and {count - self.most} more: --json tells them all", 2)


class _Paper(_Telling):
    """Keeps paragraphs as they are."""

    references = (
        "Times are UTC. V1, D1 ... name statements; the events that each stands on are listed at the end."
    )
    values = ""
    most = None

    def __init__(self) -> None:
        super().__init__(evidence=False)
        self.sections: list[tuple[str, list[Paragraph]]] = [("", [])]
        self._doubting = False

    def line(self, text: str, indent: int = 0, mark: str = "") -> None:
        """One paragraph as it is."""
        depth = 0 if indent < 2 else 1 if (mark and mark != "- ") or indent < 5 else 2
        if text:
            self.sections[-1][1].append(Paragraph(mark.strip(), safe(text), depth, self._doubting))

    def section(self, title: str) -> None:
        """A new one."""
        self.sections.append((safe(title), []))
        self._date = ""

    def doubt(self, statement: Doubtful, indent: int = 5) -> None:
        """As for a terminal, and known for one."""
        self._doubting = statement.certainty != "observed"
        super().doubt(statement, indent)
        self._doubting = False

    def when(self, time: datetime) -> str:
        """Always with the date: on paper a line is read alone."""
        return f"{time:%Y-%m-%d %H:%M:%S}"


class _Page(_Paper):
    """For a screen, which tells times its own way and shows beside each statement what it stands on."""

    references = "Beside each statement stands its reference; it leads to the events behind it."

    def __init__(self, when: Callable[[datetime], str]) -> None:
        super().__init__()
        self._told = when

    def when(self, time: datetime) -> str:
        """As the screen tells it."""
        return self._told(time)


def _key(key: Key) -> str:
    return f"at position {key.position} of panel {key.value}" if key.position is not None else key.value


def _ranges(run: Sequence[Reading]) -> str:
    """Each value of some readings: lowest to highest, texts as they are."""
    numbers: dict[tuple[str, str], list[float]] = {}
    texts: dict[str, dict[str, None]] = {}
    for value in (value for reading in run for value in reading.values):
        if value.value is not None:
            numbers.setdefault((value.name, value.unit or ""), []).append(value.value)
        elif value.text is not None:
            texts.setdefault(value.name, {})[value.text] = None
    told = [
        f"{name} {min(found):g}{f' to {max(found):g}' if min(found) < max(found) else ''} {unit_words(unit)}".rstrip()
        for (name, unit), found in numbers.items()
    ]
    told += [f"{name} {' then '.join(found)}" for name, found in texts.items()]
    return ", ".join(told) or "no values"

"""A board's history, put together from the facts that hold.

The facts given may be the whole record or any part that holds everything about the board: the result is the
same.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace import (
    attempts,
    corrections,
    decisions,
    findings,
    gaps,
    genealogy,
    inspections,
    levels,
    loops,
    magazines,
    materials,
    readings,
    reviews,
    route,
)  # fmt: skip
from broker_bridge.trace.assertions import ASSERTED, standing
from broker_bridge.trace.attempts import Test
from broker_bridge.trace.belief import Belief, Evidence, chain
from broker_bridge.trace.decisions import Decision, Rework
from broker_bridge.trace.defects import Defect, Leaving, Standing, Undecided, chains
from broker_bridge.trace.findings import Finding
from broker_bridge.trace.gaps import Gap, Source
from broker_bridge.trace.genealogy import Kin
from broker_bridge.trace.identity import About, Thing, resolve
from broker_bridge.trace.inspections import Inspection, Record
from broker_bridge.trace.knots import Web
from broker_bridge.trace.levels import Level
from broker_bridge.trace.loops import Loop
from broker_bridge.trace.magazines import Storage
from broker_bridge.trace.mentions import Knot, Node
from broker_bridge.trace.portrait import Identity, portrait
from broker_bridge.trace.readings import Reading
from broker_bridge.trace.statements import PLACEHOLDERS, Statement, instant, opened, together
from broker_bridge.trace.stays import Stay, overlaps, stays
from broker_bridge.trace.supply import Setups, Supply
from broker_bridge.trace.unjoined import unjoined
from broker_bridge.trace.unnamed import unnamed
from broker_bridge.trace.uses import Material, Need, Tool
from broker_bridge.trace.value import Value
from broker_bridge.trace.visits import Stray, Visit, doubt_of, stray_programs, visits
from broker_bridge.trace.witnesses import Witness, span, witnesses

MATERIALS: Final = (
    "stated for this board or its panel, or joined with what was set up at slots and on the stencil meanwhile; material"
    " that no source tells of is not here"
)
CAUTION: Final = "A clean history is not a release: the plant's procedure and its authorised people decide."


class AsOf(Value):
    """Up to where the record was read."""

    record: str
    incarnation: int
    commit: int
    number: int
    """Number of the newest event of that commit."""


class Completeness(Value):
    """How far the history can be relied on."""

    first_seen: datetime | None
    last_seen: datetime | None
    """Nothing is known of the board after this."""
    statements: int
    """Events that are about the board."""
    sources: tuple[Source, ...]
    """Every source of the lines the board was on."""
    open_reviews: int
    """Calls without a verdict."""
    open_defects: int
    without_result: int
    """Visits for which nobody stated an outcome: no passes."""
    materials: str
    """What the list of materials covers."""
    levels: tuple[Level, ...]
    """Material and process by IPC-1782, as far as its public text goes, and what is missing for the next level."""
    caution: str


class History(Value):
    """What is known of one board, panel or assembly. Lists are in order of time."""

    identity: Identity
    genealogy: tuple[Kin, ...]
    """What it is or was part of, at any depth. What is part of it stands in the facts about that: whoever reads the
    record adds it (module queries.family)."""
    route: tuple[Visit, ...]
    loops: tuple[Loop, ...]
    magazines: tuple[Storage, ...]
    """Its stays in magazines, and how far they are proven."""
    inspections: tuple[Inspection, ...]
    tests: tuple[Test, ...]
    defects: tuple[Defect, ...]
    undecided: tuple[Undecided, ...]
    """Calls that nobody has judged: neither defects nor passes."""
    standing: Standing
    """As inspected, as reviewed, as reworked."""
    rework: tuple[Rework, ...]
    materials: tuple[Material, ...]
    """What it carries, and what it ever carried."""
    tools: tuple[Tool, ...]
    """Tools that touched it."""
    readings: tuple[Reading, ...]
    """Process values taken at a station while it was there."""
    decisions: tuple[Decision, ...]
    ends: tuple[Leaving, ...]
    """When it left the last station of a declared process, or the plant."""
    held: tuple[Decision, ...]
    """Holds in force: placed and not lifted, as far as the record knows."""
    gaps: tuple[Gap, ...]
    findings: tuple[Finding, ...]
    completeness: Completeness
    as_of: AsOf


class Subject(Value):
    """A thing and the statements in which it was looked for."""

    thing: Thing
    web: Web
    statements: tuple[Statement, ...]


def subjects(
    facts: Iterable[Fact],
    asked: Knot,
    *,
    placeholders: Collection[str] = PLACEHOLDERS,
    crowded: Collection[Node] = (),
) -> list[Subject]:
    """The things an identifier or position may mean by these facts (module identity, `resolve`)."""
    statements = standing(opened(facts, placeholders, crowded))
    web = Web(statements)
    return [Subject(thing, web, tuple(statements)) for thing in resolve(web, asked)]


class Account(Value):
    """What statements say of a thing, and which stays that makes."""

    about: tuple[tuple[Statement, About], ...]
    """In order of time."""
    seen: tuple[Witness, ...]
    stays: tuple[Stay, ...]


class Made(Value):
    """A history, and what it stands on beyond the statements about the thing itself."""

    history: History
    needs: tuple[Need, ...]
    lines: tuple[str, ...]
    """The line of each visit: /site/area/line."""
    stray: tuple[Stray, ...] = ()
    """Programs that ran on it, and in which of its visits is doubtful."""


def history(
    subject: Subject,
    as_of: AsOf,
    *,
    missing: Mapping[str, int] | None = None,
    conflicts: Mapping[Evidence, int] | None = None,
    sources: Collection[str] = (),
    crowded: Collection[Node] = (),
    places: Mapping[Node, int] | None = None,
    supply: Supply | None = None,
    account: Account | None = None,
) -> History:
    """Put the history of one thing together (see `made`)."""
    return made(
        subject, as_of, missing=missing, conflicts=conflicts, sources=sources, crowded=crowded, places=places,
        supply=supply, account=account,
    ).history  # fmt: skip


def made(
    subject: Subject,
    as_of: AsOf,
    *,
    missing: Mapping[str, int] | None = None,
    conflicts: Mapping[Evidence, int] | None = None,
    sources: Collection[str] = (),
    crowded: Collection[Node] = (),
    places: Mapping[Node, int] | None = None,
    supply: Supply | None = None,
    account: Account | None = None,
) -> Made:
    """Put the history of one thing together.

    `missing` are the numbered events the record does not hold, by source, where that is known as of the same
    commit; `conflicts` counts other contents that arrived under an event's source and id; `sources` are known to
    speak on the thing's lines beside those whose statements are here; `crowded` are identifiers that were left out
    because they name too much; `places` tells for panels how many of their boards a board without a position may be;
    `supply` tells what stations had set up, the statements themselves where it is absent; `account` is `told_of` the
    subject, where the caller has it.
    """
    account = told_of(subject) if account is None else account
    magazine = magazines.stored(subject.web, subject.thing, subject.statements, account.about)
    if magazine.unread:
        account = _account([*account.about, *magazine.unread])
    about = account.about
    asserted = [Record(s, way) for s, way in about if s.fact.type == ASSERTED]
    found = corrections.denied(account.stays, asserted)
    torn = overlaps(found)
    torn_places = {place for pair in torn for place in pair}
    route_visits = visits(found, torn_places)
    doubts = _doubted(found, torn_places)
    records = [Record(statement, _lowered(statement, way, doubts)) for statement, way in about]
    reworked = decisions.reworks(_of(records, decisions.REWORK, decisions.TOP_UP))
    wrong = _wrong_clocks(found)
    reviewed = reviews.review(
        inspections.inspections(_own(records, "inspection.completed", inspections.PASTE)),
        _own(records, "inspection.reviewed"),
    )
    inspected, judged = corrections.corrected(reviewed.inspections, asserted)
    tests, tests_judged = corrections.corrected(
        attempts.tests(_own(records, "inspection.test_completed")), asserted
    )
    around = windows(account)
    files = frozenset((statement.fact.source, statement.fact.generation) for statement, _ in about)
    known_gaps = gaps.gaps(subject.statements, around, files)
    identity = portrait(subject.thing, about)
    lines = [
        route.Seen(visit, stay.witnesses[0].statement.line)
        for visit, stay in zip(route_visits, found, strict=True)
    ]
    declared = _declarations(subject)
    known_gaps += route.silent(lines, declared, identity.part_number, known_gaps)
    known_gaps += unjoined(subject.thing, subject.statements, places or {})
    known_gaps += unnamed(subject.statements, around)
    decided = decisions.decisions(_of(records, *sorted(decisions.DECISIONS)))
    placed = _placed(subject, identity.part_number)
    left = route.leavings(lines, declared, identity.part_number)
    left += [Leaving("shipped", one.time, one.evidence) for one in decided if one.type == "board.shipped"]
    left.sort(key=lambda leaving: (leaving.time, leaving.what, leaving.evidence))
    called = chains(inspected, tests, reworked, left)
    on_it = materials.carried(
        [record for record in records if record.about.scope != "member"],
        found,
        route_visits,
        Setups(subject.statements) if supply is None else supply,
        identity.position if identity.unit == "board" else None,
    )
    material = on_it.materials
    told = History(
        identity=identity,
        genealogy=tuple(genealogy.ancestors(subject.thing)),
        route=tuple(route_visits),
        loops=tuple(loops.loops(route_visits)),
        magazines=magazine.stays,
        inspections=tuple(one._replace(**_by_the_line(one, wrong)) for one in inspected),
        tests=tuple(one._replace(**_by_the_line(one, wrong)) for one in tests),
        defects=called.defects,
        undecided=called.undecided,
        standing=called.standing,
        rework=tuple(reworked),
        materials=material,
        tools=on_it.tools,
        readings=tuple(readings.readings(found, route_visits, subject.statements)),
        decisions=tuple(decided),
        ends=tuple(left),
        held=tuple(decisions.in_force(decided)),
        gaps=tuple(known_gaps),
        findings=tuple(
            sorted(
                {
                    *findings.of_identity(subject.thing),
                    *findings.of_visits(found, torn),
                    *findings.of_positions(about),
                    *(Finding("review_without_inspection", s.text, s.evidence) for s in reviewed.strays),
                    *(
                        Finding("retest_without_rework", r.text, r.evidence)
                        for r in attempts.retests(tests, [rework.ended for rework in reworked])
                    ),
                    *(
                        Finding(d.kind, d.text, d.evidence)
                        for d in route.deviations(lines, declared, identity.part_number)
                    ),
                    *(
                        Finding("outcome_disputed", one.text, one.evidence)
                        for one in (*judged, *tests_judged)
                    ),
                    *findings.of_placement(inspected, placed),
                    *_contradicted(inspected),
                    *_twofold(about, conflicts or {}),
                    *(
                        Finding("doubtful_magazine", one.reason or "", one.evidence)
                        for one in magazine.stays
                        if one.certainty == "conflicting"
                    ),
                    *(Finding("crowded_identifier", _crowded(node), ()) for node in crowded),
                }
            )
        ),
        completeness=_completeness(
            about,
            found,
            route_visits,
            inspected,
            called.defects,
            tuple(gaps.sources(subject.statements, around, missing, sources)),
            levels.levels(
                levels.Known(
                    _own(records, *_LEVELLED),
                    material,
                    frozenset(placed),
                    [order.order for order in identity.work_orders],
                    [visit.station for visit in route_visits if visit.station],
                    sorted({gap.where for gap in known_gaps if gap.kind not in ("unjoined", "unnamed")}),
                )
            ),
        ),
        as_of=as_of,
    )
    return Made(told, on_it.needs, tuple(seen.line for seen in lines), stray_programs(found))


def told_of(subject: Subject) -> Account:
    """What the statements say of the thing, and how far each is about it."""
    return _account(
        [
            (statement, way)
            for statement in subject.statements
            if statement.mentions and (way := subject.thing.about(statement)) is not None
        ]
    )


def sightings(account: Account) -> list[tuple[str, gaps.Window]]:
    """The stations a thing was seen at, on which line and when."""
    return readings.wanted(account.stays)


def beside(subject: Subject, facts: Iterable[Fact], placeholders: Collection[str] = PLACEHOLDERS) -> Subject:
    """The subject with more facts that hold, none of which names the thing or what it is tied to."""
    return subject._replace(statements=tuple(together(subject.statements, opened(facts, placeholders))))


def windows(account: Account) -> list[gaps.Window]:
    """The lines the thing was on, and when."""
    seen = [(witness.statement.line, witness.start, witness.end) for witness in account.seen]
    return gaps.windows(
        seen or [(statement.line, statement.time, statement.time) for statement, _ in account.about]
    )


def _account(about: Sequence[tuple[Statement, About]]) -> Account:
    ordered = tuple(sorted(about, key=lambda pair: (pair[0].time, pair[0].evidence)))
    seen = tuple(witness for statement, way in ordered for witness in witnesses(statement, way))
    return Account(ordered, seen, tuple(stays(seen)))


def _own(records: Iterable[Record], *types: str) -> list[Record]:
    """Records of these types, without those about single boards of the panel that was asked for."""
    return [r for r in _of(records, *types) if r.about.scope != "member"]


def _of(records: Iterable[Record], *types: str) -> list[Record]:
    return [record for record in records if record.statement.fact.type in types]


def _doubted(found: Sequence[Stay], torn: Collection[int]) -> dict[Evidence, Belief]:
    """What suspect and torn visits, and doubtful times, say against the statements that witness them."""
    doubts = {
        witness.statement.evidence: doubt_of(stay, place in torn)
        for place, stay in enumerate(found)
        if stay.suspect or stay.denied or place in torn
        for witness in stay.witnesses
    }
    for witness in (witness for stay in found for witness in stay.witnesses):
        evidence, doubt = witness.statement.evidence, witness.doubt
        if doubt is not None:
            doubts[evidence] = chain(doubts[evidence], doubt) if evidence in doubts else doubt
    return doubts


def _wrong_clocks(found: Sequence[Stay]) -> dict[Evidence, tuple[timedelta, str]]:
    """By how much the times of statements were corrected for the visits they witness, and why."""
    return {
        witness.statement.evidence: (witness.start - span(witness.statement)[0], witness.clock)
        for stay in found
        for witness in stay.witnesses
        if witness.role == "present" and witness.clock and witness.start != span(witness.statement)[0]
    }


def _by_the_line(one: Inspection | Test, wrong: Mapping[Evidence, tuple[timedelta, str]]) -> dict[str, Any]:
    """When it was by the clock that its visit is told by, and what shows that its machine's is wrong."""
    shifts = {wrong[evidence] for evidence in one.evidence if evidence in wrong}
    time = one.started or one.ended
    if time is None or len(shifts) != 1:
        return {}
    ((shift, why),) = shifts
    return {"corrected": time + shift, "clock": why}


def _lowered(statement: Statement, way: About, doubts: Mapping[Evidence, Belief]) -> About:
    doubt = doubts.get(statement.evidence)
    return way if doubt is None else way._replace(belief=chain(way.belief, doubt))


def _declarations(subject: Subject) -> list[Statement]:
    return [statement for statement in subject.statements if statement.fact.type == route.DECLARED]


_LEVELLED: Final = (
    "inspection.completed", "inspection.test_completed", "inspection.reviewed", "reading.paste_measured",
    "work.completed", "work.print_attempted",
)  # fmt: skip


def _placed(subject: Subject, part: str | None) -> dict[str, tuple[str | None, Evidence]]:
    """The designators that the newest declaration of the part mounts, the side of each, and where that is written."""
    declared = [
        statement
        for statement in subject.statements
        if statement.fact.type == PART_DECLARED
        and part is not None
        and (statement.get("part") or {}).get("number") == part
        and statement.get("placement")
    ]
    if not declared:
        return {}
    newest = max(declared, key=lambda s: (instant(s.get("valid_from")), s.evidence))
    return {spot["name"]: (spot.get("side"), newest.evidence) for spot in newest.get("placement")}


PART_DECLARED: Final = "line.part_declared"


def _contradicted(found: Sequence[Inspection]) -> Iterable[Finding]:
    for inspection in found:
        if (
            inspection.certainty == "conflicting"
            and inspection.reason
            and "records of it" in inspection.reason
        ):
            yield Finding(
                "outcomes_differ", f"{inspection.station}: {inspection.reason}", inspection.evidence
            )


def _twofold(
    about: Sequence[tuple[Statement, About]], conflicts: Mapping[Evidence, int]
) -> Iterable[Finding]:
    for statement, _ in about:
        count = conflicts.get(statement.evidence)
        if count:
            text = f"event {statement.fact.id} of {statement.fact.source} also arrived with other content; the first is told"
            yield Finding("other_content", text, (statement.evidence,))


def _crowded(node: Node) -> str:
    return f"{node.kind} {node.value} names too many things to tell one apart: it was not followed"


def _completeness(
    about: Sequence[tuple[Statement, About]],
    found: Sequence[Stay],
    route_visits: Sequence[Visit],
    inspected: Sequence[Inspection],
    confirmed: Sequence[Defect],
    sources: tuple[Source, ...],
    reached: tuple[Level, ...],
) -> Completeness:
    return Completeness(
        first_seen=min((stay.first for stay in found), default=None),
        last_seen=max((stay.last for stay in found), default=None),
        statements=len(about),
        sources=sources,
        open_reviews=sum(call.verdict in (None, "undecided") for i in inspected for call in i.calls),
        open_defects=sum(defect.state == "open" for defect in confirmed),
        without_result=sum(visit.outcome is None for visit in route_visits),
        materials=MATERIALS,
        levels=reached,
        caution=CAUTION,
    )

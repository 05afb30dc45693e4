"""The history of a board: what the index says may matter, judged by the trace."""

from collections.abc import Collection, Iterable, Sequence
from typing import Final, NamedTuple

from broker_bridge.errors import Ambiguous, NotFound, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import magazine_file, part_file, reading_file, unnamed_file
from broker_bridge.projector.holding import holding as holding_facts
from broker_bridge.projector.index import Related
from broker_bridge.projector.supply import IndexSupply
from broker_bridge.queries.record import Record
from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.claims import told
from broker_bridge.trace.gaps import widened
from broker_bridge.trace.history import (
    AsOf,
    History,
    Subject,
    beside,
    history,
    sightings,
    subjects,
    told_of,
    windows,
)
from broker_bridge.trace.identity import About
from broker_bridge.trace.magazines import puts, seen_again
from broker_bridge.trace.mentions import Knot, Node, Slot
from broker_bridge.trace.statements import PLACEHOLDERS, Statement, is_placeholder

_POSITIONS: Final = 9999
_IN_MAGAZINE: Final = 200
"""Events of a magazine that are looked at after a board went in and was not told of again: a filling and its unloading."""
_SIMILAR: Final = 8
"""Identifiers that are offered where the one asked for is not known."""


def board(
    record: Record,
    identifier: str,
    *,
    kind: str | None = None,
    position: int | None = None,
    at: int | None = None,
    placeholders: Collection[str] = PLACEHOLDERS,
) -> History:
    """The history of what an identifier names, as of a commit (the newest by default).

    `kind` narrows it to one kind of identifier; with `position` it is the panel's, and the board at that position
    is meant. Raises UsageError for what can be neither; NotFound when it names nothing, saying what the record
    covers; Ambiguous with the candidates when it names several things: one of them has to be asked for.
    """
    as_of = record.as_of(at)
    _check(identifier, position)
    if is_placeholder(identifier, placeholders):
        raise NotFound(f"{identifier!r} stands where an identifier should be; it names no board")
    nodes = [node for node in record.index.nodes(identifier, as_of.number) if kind in (None, node.kind)]
    asked: list[Knot] = [Slot(node, position) for node in nodes] if position is not None else [*nodes]
    found: dict[Knot, Found] = {}
    for knot in asked:
        for one in find(record, knot, as_of, placeholders):
            found.setdefault(one.subject.thing.key, one)
    if not found:
        raise NotFound(_unknown(record, identifier, kind, position, as_of))
    if len(found) > 1:
        raise _ambiguous(identifier, found)
    (one,) = found.values()
    return history_of(record, one, as_of, placeholders)


def _check(identifier: str, position: int | None) -> None:
    try:
        identifier.encode()
    except UnicodeEncodeError:
        raise UsageError(f"{identifier!r} is no text: it holds bytes that are not UTF-8") from None
    if position is not None and not 1 <= position <= _POSITIONS:
        raise UsageError(f"position {position} is none: positions go from 1 to {_POSITIONS}")


class Found(NamedTuple):
    """A thing, and all facts that may be about it."""

    subject: Subject
    related: Related
    facts: list[Fact]


def find(
    record: Record, knot: Knot, as_of: AsOf, placeholders: Collection[str] = PLACEHOLDERS
) -> list[Found]:
    """The things an identifier or position may mean, and what may be about each."""
    related, facts = _about(record, knot, as_of)
    found: list[Found] = []
    for subject in subjects(facts, knot, placeholders=placeholders, crowded=related.crowded):
        own = subject.thing.key
        more = None if knot in subject.thing.names else record.index.related(own, as_of.number)
        if more is None or (more.numbers <= related.numbers and more.crowded == related.crowded):
            found.append(Found(subject, related, facts))
        else:
            found += find(record, own, as_of, placeholders)
    return found


def history_of(
    record: Record, found: Found, as_of: AsOf, placeholders: Collection[str] = PLACEHOLDERS
) -> History:
    """The history of a thing that was found by its own name."""
    account = told_of(found.subject)
    about, around = account.about, windows(account)
    files = {(statement.fact.source, statement.fact.generation) for statement, _ in about}
    notices = record.index.notices(around, files, as_of.number) - found.related.numbers
    files_of = {
        part_file(statement.fact.source, part["number"])
        for statement, _ in about
        if (part := statement.get("part"))
    }
    notices |= in_magazines(record, about, as_of)
    notices |= {number for file in files_of for number in record.index.filed(file, as_of.number)}
    spans = [(unnamed_file(window.line), *widened(window)) for window in around]
    spans += [
        (reading_file(window.line, station), window.start, window.end)
        for station, window in sightings(account)
    ]
    notices |= record.index.filed_between(spans, as_of.number)
    subject = beside(found.subject, holding(record, notices, as_of.number), placeholders)
    newest = record.reader.head().commit == as_of.commit
    return history(
        subject,
        as_of,
        account=account,
        missing=_missing(record) if newest else None,
        conflicts=_conflicts(record, found.facts, as_of.commit),
        sources=[source for window in around for source in record.index.sources(window.line, as_of.number)],
        crowded=found.related.crowded,
        supply=IndexSupply(record.reader, record.index, as_of.number),
        places={
            name: record.index.free_places(name, as_of.number)
            for within in found.subject.thing.wholes
            for name in within.whole.names
            if isinstance(name, Node) and not any(slot.panel == name for slot in found.subject.thing.slots)
        },
    )


def in_magazines(record: Record, about: Sequence[tuple[Statement, About]], as_of: AsOf) -> set[int]:
    """Numbers of what is told of the magazines a thing lay in, while it lay there."""
    found: set[int] = set()
    # Bare boards come out of magazines into which nobody put them: what became of the others there tells nothing.
    lain = {statement.get("magazine") for statement, way in about if puts(statement, way)}
    for statement, way in about:
        magazine = statement.get("magazine")
        if magazine and magazine in lain and way.scope != "member":
            file = magazine_file(statement.fact.source, magazine)
            until = seen_again(statement, about)
            found.update(record.index.filed_after(file, statement.time, until, as_of.number, _IN_MAGAZINE))
    return found


def _about(record: Record, key: Knot, as_of: AsOf) -> tuple[Related, list[Fact]]:
    """The facts that hold and may be about a thing, and who revokes which of them."""
    related = record.index.related(key, as_of.number)
    numbers = set(related.numbers)
    facts = holding(record, numbers, as_of.number)
    asserted = [(fact.source, fact.id) for fact in facts if fact.type == "board.asserted"]
    while asserted:
        more = record.index.revocations(asserted, as_of.number) - numbers
        numbers |= more
        revokers = holding(record, more, as_of.number)
        facts += revokers
        asserted = [(fact.source, fact.id) for fact in revokers]
    return related._replace(numbers=frozenset(numbers)), facts


def holding(record: Record, numbers: Iterable[int], upto: int) -> list[Fact]:
    """Of these events the ones that hold: those of the highest complete revision of their raw record."""
    return holding_facts(record.reader, record.index, numbers, upto)


def _missing(record: Record) -> dict[str, int]:
    missing: dict[str, int] = {}
    for progress in record.reader.progress():
        count = sum(last - first + 1 for first, last in progress.missing())
        missing[progress.source] = missing.get(progress.source, 0) + count
    return missing


def _conflicts(record: Record, facts: Sequence[Fact], commit: int) -> dict[Evidence, int]:
    by_number = {fact.number: fact for fact in facts}
    found: dict[Evidence, int] = {}
    for number, commits in record.reader.contradicted(sorted(by_number)).items():
        count = sum(known <= commit for known in commits)
        if count:
            found[Evidence(by_number[number].source, by_number[number].id)] = count
    return found


def _ambiguous(identifier: str, found: Iterable[Knot]) -> Ambiguous:
    candidates = [(key.panel if isinstance(key, Slot) else key, key) for key in found]
    listed = "; ".join(told(key) for _, key in candidates)
    return Ambiguous(
        f"{identifier!r} names several things: {listed}. Ask for one of them by its own identifier and --kind.",
        [
            (node.kind, node.value, key.position if isinstance(key, Slot) else None)
            for node, key in candidates
        ],
    )


def _unknown(record: Record, identifier: str, kind: str | None, position: int | None, as_of: AsOf) -> str:
    what = f"{kind or 'identifier'} {identifier!r}" + (
        f", position {position}" if position is not None else ""
    )
    lines = [
        f"{what} is not in record {as_of.record} as of commit {as_of.commit}"
        f" ({as_of.number} events{_covered(record, as_of)})"
    ]
    other = [node.kind for node in record.index.nodes(identifier, as_of.number)]
    first = record.index.first(identifier)
    if other and position is None:
        lines.append(f"it is known as: {', '.join(other)}")
    elif other:
        lines.append(f"{identifier!r} is known, and nothing is said of that position")
    elif first is not None:
        (fact,) = record.reader.facts([first])
        lines.append(f"it is named for the first time in commit {fact.commit}")
    else:
        similar = record.index.beginning(identifier, as_of.number, _SIMILAR)
        if similar:
            lines.append("known are: " + ", ".join(f"{node.kind} {node.value}" for node in similar))
    return "; ".join(lines)


def _covered(record: Record, as_of: AsOf) -> str:
    span = record.reader.span(as_of.number)
    return f", the first of {span[0]}, the last of {span[1]}" if span else ""

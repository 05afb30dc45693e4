"""Brings the derived tables up to the index: the histories that are dirty are made anew, cluster by cluster.

A board's rows are those of its own history. The facts of what hangs together, a panel and its boards, are read and
weighed once for all of them.
"""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

from broker_bridge.errors import StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.projector.entries import declared_line, magazine_file
from broker_bridge.projector.holding import holding
from broker_bridge.projector.index import Index
from broker_bridge.projector.rows import rows
from broker_bridge.projector.settled import Cluster, Settled
from broker_bridge.projector.supply import IndexSupply
from broker_bridge.queries.boards import find, in_magazines
from broker_bridge.queries.record import Record
from broker_bridge.store.base import StoreReader
from broker_bridge.trace.assertions import standing
from broker_bridge.trace.history import AsOf, Subject, made, told_of
from broker_bridge.trace.identity import Thing, resolve
from broker_bridge.trace.knots import Web
from broker_bridge.trace.mentions import UNITS, Knot, Node, Slot
from broker_bridge.trace.statements import PLACEHOLDERS, Statement, is_placeholder, opened, together

Progress = Callable[[int, int], None]
"""Told the names that were settled, and how many there were."""

_AT_ONCE: Final = 40
"""Clusters of one transaction: other writers wait for it."""
_WEIGHED: Final = 3_000
"""Events that are weighed together; what hangs together by more is read thing by thing."""


def settle(record: Record, progress: Progress | None = None, *, once: bool = False) -> bool:
    """Bring the derived tables of a record up to its index; whether they are as of the index's commit now.

    With `once` one transaction's worth of it.

    Raises StoreUnavailable when the index cannot be written, or another writes it for long.
    """
    settled = Settled(record.index.path)
    try:
        there = settled.dirty()
        if not there:
            return True
        supply, declared, number = None, None, -1
        while True:
            with settled.transaction():
                # Read inside: what is written holds as of the index that is written to.
                as_of = record.as_of()
                if as_of.number != number:
                    number = as_of.number
                    supply = IndexSupply(record.reader, record.index, number, many=True)
                    declared = _Declared(record, number)
                assert supply is not None
                assert declared is not None
                settled.spread()
                clusters = 0
                while clusters < _AT_ONCE and (cluster := settled.next_cluster()) is not None:
                    _write(record, settled, cluster, as_of, supply, declared)
                    clusters += 1
                left = settled.dirty()
                if not left:
                    settled.tidy()
            if progress is not None:
                progress(max(there - left, 0), max(there, left))
            if not left or once:
                return not left
    finally:
        settled.close()


def settled(record: Record, progress: Progress | None = None) -> bool:
    """The same; false, too, where the index cannot be written now."""
    try:
        return settle(record, progress)
    except StoreUnavailable:
        return False


def settle_some(reader: StoreReader, index: Path) -> bool:
    """One transaction of it, for a role that goes on by itself; whether there is more to do. Raises StoreUnavailable."""
    record = Record(reader, Index(index))
    try:
        return not settle(record, once=True)
    finally:
        record.index.close()


class _Declared:
    """What is declared of lines: the same for all who passed them."""

    def __init__(self, record: Record, upto: int) -> None:
        self._record, self._upto = record, upto
        self._known: dict[str, list[Statement]] = {}

    def of(self, files: Iterable[str]) -> list[Statement]:
        """What is filed under these lines."""
        for file in files:
            if file not in self._known:
                numbers = self._record.index.filed(file, self._upto)
                self._known[file] = opened(
                    holding(self._record.reader, self._record.index, numbers, self._upto)
                )
        return [statement for file in files for statement in self._known[file]]


def _write(
    record: Record,
    settled: Settled,
    cluster: Cluster,
    as_of: AsOf,
    supply: IndexSupply,
    declared: _Declared,
) -> None:
    subjects = (
        _read_apart(record, cluster, as_of) if cluster.crowded or len(cluster.numbers) > _WEIGHED else None
    )
    if subjects is None:
        subjects = _weigh(record, cluster, as_of)
    read: dict[int, list[Statement]] = {}
    for subject, crowded in subjects:
        account = told_of(subject)
        about = account.about
        if not about:
            continue
        magazines = {
            magazine_file(statement.fact.source, magazine)
            for statement, _ in about
            if (magazine := statement.get("magazine"))
        }
        lines = sorted(
            {declared_line(w.statement.line + "/", w.statement.line.rpartition("/")[2]) for w in account.seen}
        )
        subject = subject._replace(statements=tuple(together(subject.statements, declared.of(lines))))
        filed = in_magazines(record, about, as_of) - set(cluster.numbers)
        if filed:
            more = [number for number in filed if number not in read]
            read.update({number: [] for number in more})
            for statement in opened(holding(record.reader, record.index, more, as_of.number)):
                read[statement.fact.number].append(statement)
            lain = [statement for number in filed for statement in read[number]]
            subject = subject._replace(statements=tuple(together(subject.statements, lain)))
        told = made(subject, as_of, crowded=crowded, supply=supply, account=account)
        thing = subject.thing
        nodes = {knot if isinstance(knot, Node) else knot.panel for knot in (*thing.names, *thing.claims)}
        nodes |= {name for within in thing.wholes for name in within.whole.names if isinstance(name, Node)}
        names = {n for node in nodes if (n := settled.number_of(node)) is not None}
        settled.write(rows(told), names, sorted({*magazines, *lines}))


def _weigh(record: Record, cluster: Cluster, as_of: AsOf) -> list[tuple[Subject, frozenset[Node]]]:
    """The things of a cluster, by all its facts at once."""
    numbers = {number for number in cluster.numbers if number <= as_of.number}
    facts = holding(record.reader, record.index, numbers, as_of.number)
    facts += _revokers(record, facts, numbers, as_of)
    statements = tuple(standing(opened(facts)))
    web = Web(statements)
    things = _things(cluster.knots, lambda knot: resolve(web, knot))
    return [(Subject(thing, web, statements), frozenset()) for thing in things]


def _read_apart(record: Record, cluster: Cluster, as_of: AsOf) -> list[tuple[Subject, frozenset[Node]]]:
    """The things of a cluster that is too large, each by its own facts."""
    found: dict[Knot, tuple[Subject, frozenset[Node]]] = {}

    def read(knot: Knot) -> list[Thing]:
        things = find(record, knot, as_of)
        for one in things:
            found[one.subject.thing.key] = one.subject, one.related.crowded
        return [one.subject.thing for one in things]

    return [found[thing.key] for thing in _things(cluster.knots, read)]


def _things(knots: Iterable[Knot], meant: Callable[[Knot], list[Thing]]) -> list[Thing]:
    """Every board once; panels and assemblies, and what goes by other identifiers only where it is nothing else."""
    usable = [
        k
        for k in knots
        if not is_placeholder(k.value if isinstance(k, Node) else k.panel.value, PLACEHOLDERS)
    ]
    found: dict[Knot, Thing] = {}
    covered: set[Knot] = set()
    with_boards: set[Knot] = set()
    for knot in sorted(usable, key=_boards_first):
        if knot in covered:
            continue
        for thing in meant(knot):
            if thing.key in found:
                continue
            if thing.unit == "panel" and thing.names & with_boards:
                continue
            if isinstance(knot, Node) and knot.kind not in UNITS and thing.unit in UNITS:
                continue  # another name of something that has its own
            found[thing.key] = thing
            covered |= thing.names
            covered |= {knot for knot, claim in thing.claims.items() if not claim.contested}
            for within in thing.wholes:
                covered |= {
                    k for k, c in within.whole.claims.items() if isinstance(k, Node) and not c.contested
                }
                if within.whole.unit == "panel":
                    with_boards |= within.whole.names
            with_boards |= {slot.panel for slot in thing.slots}
            covered |= {panel for panel in with_boards if isinstance(panel, Node) and panel.kind == "panel"}
    return list(found.values())


def _boards_first(knot: Knot) -> tuple[int, str, str, int]:
    if isinstance(knot, Slot):
        return 1, knot.panel.kind, knot.panel.value, knot.position
    rank = {"board": 0, "panel": 3, "assembly": 2}.get(knot.kind, 4)
    return rank, knot.kind, knot.value, 0


def _revokers(record: Record, facts: Iterable[Fact], known: set[int], as_of: AsOf) -> list[Fact]:
    found: list[Fact] = []
    asserted = [(fact.source, fact.id) for fact in facts if fact.type == "board.asserted"]
    while asserted:
        more = record.index.revocations(asserted, as_of.number) - known
        known |= more
        revokers = holding(record.reader, record.index, more, as_of.number)
        found += revokers
        asserted = [(fact.source, fact.id) for fact in revokers]
    return found

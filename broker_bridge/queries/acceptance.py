"""What the record knows of a station in a window, to be held against a count by hand."""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from broker_bridge.errors import Ambiguous, NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.queries.boards import board
from broker_bridge.queries.proof import digest
from broker_bridge.queries.record import Record
from broker_bridge.trace import gaps as missing
from broker_bridge.trace.acceptance import Acceptance, Window, compare
from broker_bridge.trace.history import AsOf, History
from broker_bridge.trace.mentions import Node, mentions
from broker_bridge.trace.revisions import holding_revision, raw_record, set_size
from broker_bridge.trace.statements import PLACEHOLDERS, instant, is_placeholder, opened

_AROUND: Final = timedelta(hours=1)
"""How long before the window a piece that left in it may have arrived; how far clocks are ahead at most."""
_STEP: Final = 2000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

Progress = Callable[[float, str], None]


def acceptances(
    record: Record,
    url: str,
    windows: Sequence[Window],
    *,
    near_s: float,
    progress: Progress = lambda part, text: None,
) -> list[Acceptance]:
    """The comparison of every window. Raises NotFound when nothing was ever said of a station around it."""
    as_of = record.as_of()
    told = digest(url, as_of.number)
    return [_one(record, window, as_of, told, near_s, progress) for window in windows]


def _one(
    record: Record, window: Window, as_of: AsOf, told: str, near_s: float, progress: Progress
) -> Acceptance:
    start, end = window.from_ - _AROUND, window.to + _AROUND
    near, last = _facts(record, start, end, as_of, progress)
    here = [fact for fact in near if _is_of(fact, window.station)]
    lines = sorted({fact.source.rpartition("/")[0] for fact in here})
    if not here:
        raise NotFound(
            f"nothing was said of station {window.station!r} between {start:%Y-%m-%d %H:%M} and {end:%H:%M} UTC;"
            f" said of were: {', '.join(_stations(near)) or 'no station'}"
        )
    histories, undecided = _histories(record, here, progress)
    around = [missing.Window(line, window.from_, window.to) for line in lines]
    numbers = sorted(record.index.notices(around, set(), as_of.number))
    statements = opened(_holding(record, record.reader.facts(numbers), as_of.number))
    files = frozenset((fact.source, fact.generation) for fact in here)
    found = [
        gap for gap in missing.gaps(statements, around, files)
        if _overlaps(gap, window) and gap.where in (window.station, gap.source)
    ]  # fmt: skip
    holes: dict[str, int] = {}
    for one in record.reader.progress():
        holes[one.source] = holes.get(one.source, 0) + sum(b - a + 1 for a, b in one.missing())
    speaking = {fact.source for fact in here}
    sources = [
        source for source in missing.sources(statements, around, holes, speaking) if source.source in speaking
    ]
    return compare(
        window, histories, here, gaps=found, sources=sources, undecided=undecided, near_s=near_s, as_of=as_of,
        behind=[source for source in sorted(speaking) if last[source] < window.to], digest=told,
    )  # fmt: skip


def _facts(
    record: Record, start: datetime, end: datetime, as_of: AsOf, progress: Progress
) -> tuple[list[Fact], dict[str, datetime]]:
    """Everything said in a span of time, and until when each source had spoken.

    Nothing of a window is committed before it begins, so what was committed earlier is not looked at.
    """
    commit = record.reader.commit_at((start - _EPOCH) // timedelta(microseconds=1))
    number = first = record.reader.last_number(commit)
    found: list[Fact] = []
    last: dict[str, datetime] = {}
    while number < as_of.number and (step := record.reader.after(number, _STEP)):
        for fact in step:
            if fact.number > as_of.number:
                break
            time = instant(fact.time)
            if fact.source not in last or time > last[fact.source]:
                last[fact.source] = time
            if start <= time <= end:
                found.append(fact)
        number = step[-1].number
        progress((number - first) / max(as_of.number - first, 1) / 2, "reading the record")
    return _holding(record, found, as_of.number), last


def _holding(record: Record, facts: Sequence[Fact], upto: int) -> list[Fact]:
    """Of these events those of the highest complete revision of their raw record."""
    numbers = [fact.number for fact in facts]
    known = {fact.number: fact for fact in facts}
    siblings: dict[tuple[str, str, int], list[tuple[int, int, int]]] = {}
    for sibling in record.reader.siblings(numbers):
        if sibling.number <= upto:
            siblings.setdefault(sibling[:3], []).append((sibling.revision, sibling.ordinal, sibling.number))
    holds: dict[tuple[str, str, int], int | None] = {}
    for raw, several in siblings.items():
        if len({revision for revision, _, _ in several}) > 1:
            others = [number for _, _, number in several if number not in known]
            known.update((fact.number, fact) for fact in record.reader.facts(others))
            sizes = {revision: set_size(known[number]) for revision, _, number in several}
            holds[raw] = holding_revision([(revision, ordinal) for revision, ordinal, _ in several], sizes)
    return [fact for fact in facts if holds.get(raw_record(fact), fact.revision) == fact.revision]


def _is_of(fact: Fact, station: str) -> bool:
    if fact.type.startswith("source."):
        return False
    return fact.data.get("station") == station or station in (fact.data.get("candidates") or ())


def _stations(facts: Iterable[Fact]) -> list[str]:
    return sorted({fact.data["station"] for fact in facts if fact.data.get("station")})


def _histories(record: Record, facts: Sequence[Fact], progress: Progress) -> tuple[list[History], list[str]]:
    """The histories of the pieces that these facts name, each once: panels where boards are told as theirs."""
    nodes: dict[Node, None] = {}
    for fact in facts:
        for mention in mentions(fact):
            if mention.panel is not None:
                nodes[mention.panel.node] = None
            elif mention.names:
                nodes[mention.names[0].node] = None
    found: dict[tuple[str, str, int | None], History] = {}
    undecided: list[str] = []
    for number, node in enumerate(nodes):
        progress(0.5 + number / len(nodes) / 2, f"{number:,} of {len(nodes):,} pieces")
        if is_placeholder(node.value, PLACEHOLDERS):
            continue
        try:
            history = board(record, node.value, kind=node.kind)
        except Ambiguous:
            undecided.append(f"{node.kind} {node.value}")
        except NotFound:
            continue
        else:
            key = history.identity.key
            found[key.kind, key.value, key.position] = history
    return list(found.values()), undecided


def _overlaps(gap: missing.Gap, window: Window) -> bool:
    return (gap.from_ is None or gap.from_ < window.to) and (gap.to is None or gap.to >= window.from_)

"""What may be missing around a board: stated gaps, rejected records, sources that are away or behind.

The board's own events cannot tell where it went unseen, so what counts is the line and the time it was there.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from broker_bridge.trace.belief import Evidence
from broker_bridge.trace.statements import Statement
from broker_bridge.trace.value import Value

MARGIN: Final = timedelta(hours=1)
"""How far before the first and after the last sight of a board on a line something missing is told."""

RELEVANT: Final = frozenset({"source.gap", "source.rejected", "source.connected", "source.disconnected"})
"""Types that say what a source could not say."""

REJECTED: Final = "source.rejected"

HEARING: Final = ("source.connected", "source.disconnected")

UNDATED: Final = 5000
"""Rejected records without a time of their own that are counted; beyond it "more than"."""

_SHOWN: Final = 20
"""Of those, how many are named as evidence."""

EVER: Final = datetime.min.replace(tzinfo=UTC)
NEVER: Final = datetime.max.replace(tzinfo=UTC)


class Window(Value):
    """The time a board was on a line, as far as it was seen there."""

    line: str
    """/site/area/line"""
    start: datetime
    end: datetime


class Gap(Value):
    """Something that may be missing from the history, or that was not there."""

    kind: str
    """stated: a source says that statements are lost. rejected: a raw record could not become events. silent: a
    station of the declared process of which nothing is known. unjoined: statements about single boards of the
    panel that may be about this one. unnamed: a station saw boards that it did not name."""
    where: str
    """The station; the source where it does not say which of its stations; for `unjoined` also the panel."""
    source: str | None
    from_: datetime | None
    """None: not known."""
    to: datetime | None
    """None: not known, or still open."""
    cause: str
    detail: str | None
    evidence: tuple[Evidence, ...]


class Hearing(Value):
    """Whether a source hears a machine."""

    station: str | None
    """None: it speaks of itself as a whole."""
    connected: bool
    since: datetime


class Source(Value):
    """A source that speaks of a line the board was on."""

    source: str
    missing: int | None
    """Numbered events that the record knows of and does not hold. None: not known as of that commit."""
    hearing: tuple[Hearing, ...]
    """By station; empty where it does not say."""


def windows(seen: Iterable[tuple[str, datetime, datetime]]) -> list[Window]:
    """The windows of some sightings, given as line, start and end."""
    spans: dict[str, tuple[datetime, datetime]] = {}
    for line, start, end in seen:
        first, last = spans.get(line, (start, end))
        spans[line] = min(first, start), max(last, end)
    return [Window(line, *spans[line]) for line in sorted(spans)]


def extent(statement: Statement) -> tuple[datetime, datetime]:
    """The time in which what is missing may have happened; EVER and NEVER where it is not known."""
    if undated(statement):
        return EVER, statement.time
    if statement.fact.type != "source.gap":
        return statement.time, statement.time
    start, end = statement.instant("start"), statement.instant("end")
    if start is not None and end is not None and end < start:
        start, end = end, start
    return start or EVER, end or NEVER


def undated(statement: Statement) -> bool:
    """Whether a rejected record tells only when its file was saved: it may be of any time before."""
    return statement.fact.type == "source.rejected" and statement.time_means == "saved"


def touches(statement: Statement, found: Sequence[Window], files: frozenset[tuple[str, str]]) -> bool:
    """Whether a gap or rejected record may concern a board.

    `files` are source and generation of the board's own facts: a rejected row of the same file may be the
    board's whenever the file was read.
    """
    fact = statement.fact
    if undated(statement) and (fact.source, fact.generation) in files:
        return True
    return any(around(statement, window) for window in found)


def around(statement: Statement, window: Window) -> bool:
    """Whether what a statement tells of lies on a line about the time a board was there."""
    start, end = extent(statement)
    return window.line == statement.line and start <= _later(window.end) and end >= _earlier(window.start)


def widened(window: Window) -> tuple[datetime, datetime]:
    """The time about a window of which is told what may be missing."""
    return _earlier(window.start), _later(window.end)


def gaps(
    statements: Iterable[Statement], found: Sequence[Window], files: frozenset[tuple[str, str]]
) -> list[Gap]:
    """The stated gaps and rejected records that may concern the board, in order of time."""
    touching = [
        statement
        for statement in statements
        if statement.fact.type in ("source.gap", "source.rejected") and touches(statement, found, files)
    ]
    near = [s for s in touching if not undated(s) or (s.fact.source, s.fact.generation) in files]
    far = [s for s in touching if undated(s) and (s.fact.source, s.fact.generation) not in files]
    return sorted([*map(_gap, near), *_far(far)], key=_order)


def _far(statements: Sequence[Statement]) -> Iterable[Gap]:
    """Rejected records of other files, of which only the saving is dated: one gap for all of a source."""
    groups: dict[str, list[Statement]] = {}
    for statement in statements:
        groups.setdefault(statement.fact.source, []).append(statement)
    for source, group in sorted(groups.items()):
        newest = sorted(group, key=lambda statement: -statement.fact.number)[:UNDATED]
        stations = {statement.get("station") for statement in newest}
        count = f"more than {UNDATED}" if len(group) > UNDATED else str(len(group))
        records = "1 raw record was" if len(group) == 1 else f"{count} raw records were"
        yield Gap(
            kind="rejected",
            where=(stations.pop() if len(stations) == 1 else None) or source,
            source=source,
            from_=None,
            to=max(statement.time for statement in newest),
            cause="undated",
            detail=f"{records} rejected, and nothing tells of what time: this board may be among them",
            evidence=tuple(sorted(statement.evidence for statement in newest[:_SHOWN])),
        )


def _order(gap: Gap) -> tuple[datetime, datetime, str, tuple[Evidence, ...]]:
    return gap.from_ or EVER, gap.to or NEVER, gap.where, gap.evidence


def sources(
    statements: Iterable[Statement],
    found: Sequence[Window],
    missing: Mapping[str, int] | None,
    named: Iterable[str] = (),
) -> list[Source]:
    """Every source of the board's lines, and whether it had caught up; `missing` as of the same commit, if known.

    `named` are sources known to speak on these lines beside those of the statements.
    """
    lines = {window.line for window in found}
    latest: dict[str, dict[str | None, Statement]] = {source: {} for source in named}
    for statement in statements:
        if statement.line in lines:
            heard = latest.setdefault(statement.fact.source, {})
            if statement.fact.type in HEARING:
                heard[statement.get("station")] = statement
    return [
        Source(
            source=source,
            missing=None if missing is None else missing.get(source, 0),
            hearing=tuple(
                Hearing(station, heard[station].fact.type == "source.connected", heard[station].time)
                for station in sorted(heard, key=lambda station: station or "")
            ),
        )
        for source, heard in sorted(latest.items())
    ]


def _gap(statement: Statement) -> Gap:
    fact = statement.fact
    if fact.type == "source.gap":
        start, end = extent(statement)
        kind, cause, detail = "stated", fact.data["cause"], statement.get("detail")
    else:
        start = end = statement.time
        kind, cause, detail = "rejected", statement.get("code") or "unmapped", statement.get("reason")
    return Gap(
        kind=kind,
        where=statement.get("station") or fact.source,
        source=fact.source,
        from_=None if start == EVER else start,
        to=None if end == NEVER else end,
        cause=cause,
        detail=detail,
        evidence=(statement.evidence,),
    )


def _later(time: datetime) -> datetime:
    return time + MARGIN if time < NEVER - MARGIN else NEVER


def _earlier(time: datetime) -> datetime:
    return time - MARGIN if time > EVER + MARGIN else EVER

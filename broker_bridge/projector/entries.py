"""Pure: what one fact adds to the index."""

from typing import Final, NamedTuple

from broker_bridge.events.fact import Fact
from broker_bridge.trace.gaps import EVER, NEVER, RELEVANT, extent
from broker_bridge.trace.mentions import Node, mentions, ties
from broker_bridge.trace.route import DECLARED
from broker_bridge.trace.statements import Statement, instant

FIRST: Final = -(2**62)
LAST: Final = 2**62
"""Instants for "not known since when" and "not known until when"."""


class Notice(NamedTuple):
    """A fact that tells what may be missing on a line, or what the line is; instants in microseconds."""

    line: str
    """/site/area/line; for a declaration /site/line of the line it declares."""
    since: int
    until: int


class Entry(NamedTuple):
    """What one fact adds."""

    names: tuple[Node, ...]
    ties: tuple[tuple[Node, Node], ...]
    """Each pair once, in the order in which they were tied."""
    notice: Notice | None


def entry(fact: Fact) -> Entry:
    """What a fact adds to the index."""
    found = mentions(fact)
    names: dict[Node, None] = {}
    for mention in found:
        for name in mention.names:
            names[name.node] = None
        if mention.panel is not None:
            names[mention.panel.node] = None
    tied = tuple({(tie.a, tie.b): None for tie in ties(fact, found) if tie.a != tie.b})
    return Entry(tuple(names), tied, _notice(fact))


def _notice(fact: Fact) -> Notice | None:
    line = fact.source.rpartition("/")[0]
    if fact.type == DECLARED:
        return Notice(declared_line(fact.source, fact.data["line"]), FIRST, LAST)
    if fact.type not in RELEVANT:
        return None
    since, until = extent(Statement(fact, instant(fact.time), ()))
    return Notice(
        line,
        FIRST if since == EVER else microseconds(since.timestamp()),
        LAST if until == NEVER else microseconds(until.timestamp()),
    )


def declared_line(source: str, line: str) -> str:
    """How declarations of a line are filed: by site and line, whoever declares them."""
    return f"/{source.split('/')[1]}/{line}"


def microseconds(seconds: float) -> int:
    """An instant in microseconds since 1970."""
    return round(seconds * 1_000_000)

"""Boards that a station saw and did not name, about the time a board was on the line: any of them may have been it.

A code that cannot be read leaves a pass of which nobody is told. The pass is in the record; that it may be missing from a
history has to be said.
"""

from collections.abc import Iterable, Sequence
from typing import Final

from broker_bridge.events.fact import Fact
from broker_bridge.trace.gaps import Gap, Window, around
from broker_bridge.trace.mentions import Mention, mentions
from broker_bridge.trace.statements import Statement, is_placeholder

SEEN: Final = frozenset(
    {
        "board.arrived", "board.departed", "work.completed", "work.print_attempted", "inspection.completed",
        "inspection.test_completed", "inspection.reviewed", "inspection.rework_performed",
    }
)  # fmt: skip
"""Types of statements that a station makes of the board it has before it."""

_MOST: Final = 20
"""Events that one gap names at most."""


def names_no_board(fact: Fact, found: Iterable[Mention]) -> bool:
    """Whether a station says something of the board before it, and not which it is; `found` are the fact's mentions.

    What goes into or comes out of a magazine is judged with the magazine (module magazines).
    """
    if fact.type not in SEEN or not fact.data.get("station") or fact.data.get("magazine"):
        return False
    names = (n for mention in found for n in (*mention.names, *((mention.panel,) if mention.panel else ())))
    return all(is_placeholder(name.node.value) for name in names)


def unnamed(statements: Iterable[Statement], found: Sequence[Window]) -> list[Gap]:
    """The gaps, a station and source each, in order of station and source."""
    groups: dict[tuple[str, str], list[Statement]] = {}
    for statement in statements:
        if statement.fact.type not in SEEN or any(m.names or m.panel for m in statement.mentions):
            continue  # most are, and need not be read again
        if not names_no_board(statement.fact, mentions(statement.fact)):
            continue
        if any(around(statement, window) for window in found):
            key = statement.fact.data["station"], statement.fact.source
            groups.setdefault(key, []).append(statement)
    return [_gap(*key, groups[key]) for key in sorted(groups)]


def _gap(station: str, source: str, seen: Sequence[Statement]) -> Gap:
    count = f"{len(seen)} statements" if len(seen) > 1 else "1 statement"
    return Gap(
        kind="unnamed",
        where=station,
        source=source,
        from_=min(statement.time for statement in seen),
        to=max(statement.time for statement in seen),
        cause="board not named",
        detail=f"{count} of a board that was not named; this board may be among them",
        evidence=tuple(sorted(statement.evidence for statement in seen)[:_MOST]),
    )

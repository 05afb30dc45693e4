"""What is said of a panel's single boards and cannot be joined to one of them.

Positions of two machines are never joined without a table; a board whose position is not known gets nothing of
what is said of positions. Both are told as gaps: the statements may be this board's.
"""

from collections.abc import Iterable, Mapping, Sequence

from broker_bridge.trace.claims import told
from broker_bridge.trace.gaps import Gap
from broker_bridge.trace.identity import Thing
from broker_bridge.trace.mentions import Node
from broker_bridge.trace.statements import Statement

_MOST = 20
"""Events that one gap names at most."""


def unjoined(thing: Thing, statements: Iterable[Statement], places: Mapping[Node, int]) -> list[Gap]:
    """The gaps, in order of their place; `places` tells of how many boards of a panel it may be one."""
    groups: dict[tuple[str, str], list[Statement]] = {}
    for statement in statements:
        if thing.unplaced(statement):
            by_machine = any(mention.machine_position for mention in statement.mentions)
            where = statement.get("station") or statement.fact.source
            cause = "position order not known" if by_machine else "board of the panel not said"
            groups.setdefault((where, cause), []).append(statement)
    return [
        *_without_position(thing, places),
        *(_gap(where, cause, groups[where, cause]) for where, cause in sorted(groups)),
    ]


def _without_position(thing: Thing, places: Mapping[Node, int]) -> Iterable[Gap]:
    placed = {slot.panel for slot in thing.slots}
    for within in thing.wholes:
        if thing.unit in ("board", None) and within.whole.unit == "panel" and within.claim.knot not in placed:
            proofs = within.claim.ours
            names = [name for name in within.whole.names if isinstance(name, Node)]
            count = max((places.get(name, 0) for name in names), default=0)
            one_of = f"one of {count} boards of the panel" if count else "one board of the panel"
            yield Gap(
                kind="unjoined",
                where=told(within.claim.knot),
                source=None,
                from_=proofs[0].time,
                to=None,
                cause="position not known",
                detail=f"it is {one_of}; what is said of single positions is not joined to this board",
                evidence=tuple(sorted({proofs[0].evidence, proofs[-1].evidence})),
            )


def _gap(where: str, cause: str, found: Sequence[Statement]) -> Gap:
    return Gap(
        kind="unjoined",
        where=where,
        source=None,
        from_=found[0].time,
        to=found[-1].time,
        cause=cause,
        detail=f"{len(found)} statements about single boards of the panel are not joined to this one",
        evidence=tuple(sorted({statement.evidence for statement in found}))[:_MOST],
    )

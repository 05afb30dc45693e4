"""What is part of a panel or assembly, at any depth: each part judged by what is said about itself."""

from typing import Final

from broker_bridge.queries.boards import find
from broker_bridge.queries.record import Record
from broker_bridge.trace.findings import Finding
from broker_bridge.trace.genealogy import Kin, children, holds
from broker_bridge.trace.history import History
from broker_bridge.trace.mentions import Knot, Node

_MOST: Final = 1000
"""Parts that are followed."""


def with_family(record: Record, history: History) -> History:
    """The history with what is or was part of the thing added to its genealogy, nearest first."""
    key = history.identity.key
    if history.identity.unit not in ("panel", "assembly") or key.position is not None:
        return history
    (root,) = find(record, Node(key.kind, key.value), history.as_of)
    names = root.subject.thing.names
    found: dict[Knot, list[Kin]] = {}
    agenda = [root]
    while agenda and len(found) < _MOST:
        upper = agenda.pop(0)
        for knot in children(upper.subject.web, upper.subject.thing):
            for one in find(record, knot, history.as_of):
                thing = one.subject.thing
                kin = holds(thing, names) if thing.key not in found else []
                if kin:
                    found[thing.key] = kin
                    if thing.unit in ("panel", "assembly"):
                        agenda.append(one)
    every = (kin for ways in found.values() for kin in ways)
    below = sorted(every, key=lambda kin: (kin.depth, kin.position or 0, kin.kind, kin.value))
    findings = history.findings
    if len(found) >= _MOST:
        findings += (Finding("many_parts", f"only {_MOST} of its parts are told", ()),)
    return history._replace(genealogy=(*history.genealogy, *below), findings=findings)

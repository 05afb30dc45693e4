"""Two transfer identifiers that name one board at the same time: one of them is another board's.

A transfer identifier goes with a board from machine to machine; where it is lost a new one takes its place, so a board
has one after the other (IPC-HERMES-9852). A stale code that a line's first machine reads travels on with the identifier
of the wrong board, and every machine behind repeats it. Nothing in these messages tells which of the two boards is
meant; what a machine read for itself does.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import combinations
from typing import Final, NamedTuple

from broker_bridge.trace.belief import TORN, chain, conflicting
from broker_bridge.trace.clocks import untimed
from broker_bridge.trace.witnesses import Witness

_ALONG: Final = timedelta(seconds=60)
"""How long two identifiers may both be seen on a line: messages of two machines, each with its clock."""
_HERE: Final = timedelta(seconds=1)
"""And at one station, by one clock."""


class _Seen(NamedTuple):
    first: datetime
    last: datetime

    def together(self, other: "_Seen") -> timedelta:
        return min(self.last, other.last) - max(self.first, other.first)


def disputed(witnesses: Iterable[Witness]) -> list[Witness]:
    """The same witnesses; those that know the board only by identifiers which exclude each other are conflicting."""
    seen = list(witnesses)
    ids: dict[str, list[Witness]] = {}
    for witness in seen:
        name = _identifier(witness)
        if name is not None and not untimed(witness):
            ids.setdefault(name, []).append(witness)
    rivals: dict[str, str] = {}
    for (one, ones), (other, others) in combinations(sorted(ids.items()), 2):
        if _exclude(ones, others):
            rivals.setdefault(one, other)
            rivals.setdefault(other, one)
    if not rivals:
        return seen
    stations = {w.station: name for name in sorted(rivals) for w in ids[name]}
    return [_doubted(witness, rivals, stations) for witness in seen]


def _doubted(witness: Witness, rivals: dict[str, str], stations: dict[str | None, str]) -> Witness:
    name = _identifier(witness)
    if name is None and _only_told(witness):
        name = stations.get(witness.station)
    if name not in rivals or _read(witness):
        return witness
    text = f"transfer {name} and {rivals[name]} name it at the same time: one of them is another board's"
    return witness._replace(belief=chain(witness.belief, conflicting(TORN, text)))


def _exclude(ones: Sequence[Witness], others: Sequence[Witness]) -> bool:
    if _span(ones).together(_span(others)) > _ALONG:
        return True
    return any(
        _span([w for w in ones if w.station == station]).together(
            _span([w for w in others if w.station == station])
        )
        > _HERE
        for station in {w.station for w in ones} & {w.station for w in others}
    )


def _span(witnesses: Sequence[Witness]) -> _Seen:
    return _Seen(min(w.start for w in witnesses), max(w.end for w in witnesses))


def _identifier(witness: Witness) -> str | None:
    """The one transfer identifier of a message about coming or going."""
    if witness.role == "present":
        return None
    names = {
        name.node.value for mention in witness.statement.mentions for name in mention.names
        if name.node.kind == "transfer"
    }  # fmt: skip
    return names.pop() if len(names) == 1 else None


def _hows(witness: Witness) -> set[str]:
    return {
        name.how for mention in witness.statement.mentions
        for name in (*mention.names, *((mention.panel,) if mention.panel else ()))
    }  # fmt: skip


def _only_told(witness: Witness) -> bool:
    return _hows(witness) <= {"passed_on", "assumed"}


def _read(witness: Witness) -> bool:
    return bool(_hows(witness) & {"read", "typed"})

"""Passes that cannot both be this board's: by two transfer identifiers at once, or by a panel that was apart before.

A transfer identifier goes with a board from machine to machine; where it is lost a new one takes its place, so a board
has one after the other (IPC-HERMES-9852). A stale code that a line's first machine reads travels on with the identifier
of the wrong board, and every machine behind repeats it. Nothing in these messages tells which of the two boards is
meant; what a machine behind the first read for itself does. What the first one read is where the error came from.

A board that came or went alone has left its panel. What names it by its panel alone after that is of another panel.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import combinations
from typing import Final, NamedTuple

from broker_bridge.trace.belief import TORN, conflicting
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


class _Birth(NamedTuple):
    """Where an identifier was seen first, and when."""

    name: str
    station: str | None
    since: datetime
    until: datetime

    def holds(self, witness: Witness) -> bool:
        return witness.station == self.station and self.since <= witness.start and witness.end <= self.until


def disputed(witnesses: Iterable[Witness]) -> list[Witness]:
    """The same witnesses; those that know the board only by identifiers which exclude each other are conflicting."""
    seen = _apart(list(witnesses))
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
    births = [_birth(name, ids[name]) for name in sorted(rivals)]
    return [_doubted(witness, rivals, stations, births) for witness in seen]


def _apart(seen: list[Witness]) -> list[Witness]:
    alone = [w.start for w in seen if w.role != "present" and not untimed(w) and _names_alone(w)]
    if not alone:
        return seen
    since = min(alone)
    text = "it had come alone before, apart from its panel, and is named by its panel only"
    return [
        witness.doubted(conflicting(TORN, text))
        if witness.start - since > _ALONG and _names_panel(witness)
        else witness
        for witness in seen
    ]


def _birth(name: str, witnesses: Sequence[Witness]) -> _Birth:
    station = min(witnesses, key=lambda w: (w.start, w.station or "")).station
    there = _span([w for w in witnesses if w.station == station])
    return _Birth(name, station, there.first - _ALONG, there.last + _ALONG)


def _doubted(
    witness: Witness, rivals: dict[str, str], stations: dict[str | None, str], births: Sequence[_Birth]
) -> Witness:
    name = _identifier(witness)
    if _read(witness):
        born = [birth.name for birth in births if birth.holds(witness)]
        name = born[0] if born else None
    elif name is None and _only_told(witness):
        name = stations.get(witness.station)
    if name not in rivals:
        return witness
    text = f"transfer {name} and {rivals[name]} name it at the same time: one of them is another board's"
    return witness.doubted(conflicting(TORN, text))


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


def _names_alone(witness: Witness) -> bool:
    return all(
        mention.unit == "board"
        and mention.panel is None
        and any(n.node.kind == "board" for n in mention.names)
        for mention in witness.statement.mentions
    )


def _names_panel(witness: Witness) -> bool:
    mentions = witness.statement.mentions
    by_panel = any(mention.panel is not None or mention.unit == "panel" for mention in mentions)
    return by_panel and not any(name.node.kind == "board" for mention in mentions for name in mention.names)

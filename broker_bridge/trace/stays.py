"""Many witnesses, one stay: transfer, log and message about one pass of a board through a station go together.

A board has come again when it had left, or was seen elsewhere in between. A second arrival, or a second piece
of the same work, without either is suspect: a stale code read on another board looks the same.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from typing import Final

from broker_bridge.trace.belief import Evidence, chain, inferred
from broker_bridge.trace.clocks import judged, untimed
from broker_bridge.trace.rivals import disputed
from broker_bridge.trace.value import Value, once
from broker_bridge.trace.witnesses import Witness

SKEW: Final = timedelta(seconds=60)
"""How far two machines' clocks may differ while their statements are still laid side by side. Below the time a
board needs to leave a station and come back; common practice, no source. Clocks that are further off have to be
corrected before."""

_SAME: Final = timedelta(seconds=1)
"""Two statements of one arrival, one of them without fractions of a second."""


class Stay(Value):
    """The witnesses of one visit, before the visits are laid side by side."""

    witnesses: tuple[Witness, ...]
    suspect: str | None
    """Why it may be another board."""
    denied: str | None = None
    """What a person says against it."""

    @property
    def station(self) -> str | None:
        """Where."""
        return self.witnesses[0].station

    @once
    def first(self) -> datetime:
        """The first sight of the board there."""
        return min(witness.start for witness in self.timed)

    @once
    def last(self) -> datetime:
        """The last sight of the board there."""
        return max(witness.end for witness in self.timed)

    @once
    def timed(self) -> Sequence[Witness]:
        """The witnesses whose time counts: all of them where nothing supports the time of any."""
        return [witness for witness in self.witnesses if not untimed(witness)] or self.witnesses

    @property
    def untimed(self) -> bool:
        """Whether nothing supports the time of any of its witnesses."""
        return all(map(untimed, self.witnesses))

    def end(self, role: str) -> Witness | None:
        """The witness of the arrival or departure: the surest, of equals the earliest."""
        ends = [witness for witness in self.timed if witness.role == role]
        sure = [witness for witness in ends if witness.belief.certainty == "observed"] or ends
        return min(sure, key=_order) if sure else None


def stays(witnesses: Iterable[Witness]) -> list[Stay]:
    """The witnesses sorted into visits, ordered by the first sight of the board."""
    ordered = sorted(disputed(judged(witnesses)), key=_order)
    stations: dict[tuple[str | None, tuple[str, ...]], list[Witness]] = {}
    for witness in ordered:
        key = (witness.station, () if witness.station else witness.candidates)
        stations.setdefault(key, []).append(witness)
    found: list[Stay] = []
    sighted = [w for w in ordered if w.station is not None and not untimed(w)]
    for key in sorted(stations, key=repr):
        elsewhere = [w for w in sighted if w.station != key[0]]
        found.extend(_numbered(list(_split(stations[key], elsewhere if key[0] else [])), elsewhere))
    return sorted(
        _placed(found),
        key=lambda stay: (stay.first, stay.last, stay.station or "", stay.witnesses[0].statement.evidence),
    )


def _split(witnesses: Sequence[Witness], elsewhere: Sequence[Witness]) -> Iterable[Stay]:
    current: list[Witness] = []
    suspect: str | None = None
    for _, together in groupby(witnesses, key=lambda witness: witness.start):
        moment = list(together)
        if {seen.role for seen in current} & {"arrived", "departed"} == {"arrived"}:
            # It leaves before it comes again, also where both have the same time.
            moment.sort(key=_leaving)
        for witness in moment:
            again = _again(current, witness, elsewhere) if current else None
            if again is not None:
                yield Stay(tuple(current), suspect, None)
                current, suspect = [], again or None
            current.append(witness)
    yield Stay(tuple(current), suspect, None)


def _leaving(witness: Witness) -> int:
    if witness.role == "present":
        return 0 if witness.statement.time_means == "end" else 2
    return 1 if witness.role == "departed" else 3


def _numbered(found: list[Stay], elsewhere: Sequence[Witness]) -> list[Stay]:
    """The stays of one station; those in which the same attempt was made twice, with no rework between, are suspect."""
    attempts: dict[tuple[object, ...], list[int]] = {}
    for place, stay in enumerate(found):
        for attempt in {(*w.test, w.attempt) for w in stay.witnesses if w.test and w.attempt is not None}:
            attempts.setdefault(attempt, []).append(place)
    twice = {attempt: places for attempt, places in attempts.items() if len(places) > 1}
    if not twice:
        return found
    reworked = [w.start for w in elsewhere if w.statement.fact.type == "inspection.rework_performed"]
    for (*_, number), places in twice.items():
        for one, other in pairwise(places):
            if not any(found[one].first <= moment <= found[other].last for moment in reworked):
                why = f"attempt {number} was stated twice: one of them may be another board"
                for place in (one, other):
                    found[place] = found[place]._replace(suspect=found[place].suspect or why)
    return found


def _again(current: Sequence[Witness], witness: Witness, elsewhere: Sequence[Witness]) -> str | None:
    """None: the same visit. Else a new one, and why it is suspect; empty when it is not. `elsewhere` is in order."""
    last = max(seen.end for seen in current)
    departed = max((seen.end for seen in current if seen.role == "departed"), default=None)
    if departed is not None and (witness.start > departed or witness.role == "arrived"):
        if witness.statement.get("how") == "loaded" and witness.start - departed < _SAME:
            return None  # said doubly: nothing comes out of a magazine in the moment in which it leaves the loader
        same_clock = any(seen.statement.fact.source == witness.statement.fact.source for seen in current)
        if witness.start - departed > SKEW or (witness.role == "arrived" and same_clock):
            return ""
        return None
    if witness.role == "departed":
        arrivals = [seen for seen in current if seen.role == "arrived"]
        if any(seen.statement.fact.source == witness.statement.fact.source for seen in arrivals):
            return None
    since = bisect_right(elsewhere, SKEW, key=lambda other: other.start - last)
    until = bisect_left(elsewhere, witness.start, since, key=lambda other: other.start)
    if any(witness.start - other.end > SKEW for other in elsewhere[since:until]):
        return ""
    if witness.start - last > SKEW and _turned(current, witness):
        return ""
    repeated = _repeated(current, witness)
    if repeated and any(last < other.start and other.end < witness.start for other in elsewhere):
        return ""
    return repeated


def _turned(current: Sequence[Witness], witness: Witness) -> bool:
    """Whether the witness saw the other side being worked on: the board has left to be turned, seen or not."""
    sides = {seen.statement.get("side") for seen in current} - {None}
    side = witness.statement.get("side")
    return side is not None and bool(sides) and side not in sides


def _repeated(current: Sequence[Witness], witness: Witness) -> str | None:
    if witness.role == "arrived":
        for seen in current:
            if seen.role != "arrived":
                continue
            apart = _SAME if seen.statement.fact.source == witness.statement.fact.source else SKEW
            if witness.start - seen.start >= apart:
                return "the same identifier arrived again with no departure between"
    if witness.work is not None:
        for seen in current:
            if seen.work != witness.work or witness.start < seen.end or witness.start - seen.start < _SAME:
                continue
            if witness.attempt is not None and witness.attempt != seen.attempt:
                continue
            return "the same work was done again on the same identifier with no departure between"
    return None


def _placed(found: Sequence[Stay]) -> list[Stay]:
    """Statements that know only candidates join the visit they fit, where exactly one does."""
    placed = {index: stay for index, stay in enumerate(found) if stay.station is not None}
    unplaced = [stay for stay in found if stay.station is None]
    left: list[Stay] = []
    for stay in unplaced:
        fits = [
            index
            for index, other in placed.items()
            if other.station in stay.witnesses[0].candidates
            and other.first - stay.first <= SKEW
            and stay.last - other.last <= SKEW
        ]
        if len(fits) == 1:
            visit = placed[fits[0]]
            joined = tuple(_candidate(witness, visit.station) for witness in stay.witnesses)
            placed[fits[0]] = visit._replace(witnesses=visit.witnesses + joined)
        else:
            left.append(stay)
    return [*placed.values(), *left]


def _candidate(witness: Witness, station: str | None) -> Witness:
    reason = f"one of {', '.join(witness.candidates)}; only at {station} was the board seen then"
    probability = round(1 / max(len(witness.candidates), 1), 4)
    return witness._replace(belief=chain(witness.belief, inferred(probability, reason)))


def overlaps(found: Sequence[Stay]) -> list[tuple[int, int]]:
    """Stays at different stations that cannot both be true, by their places in the list.

    The board would have been at two places at once, by more than clocks differ.
    """
    pairs: list[tuple[int, int]] = []
    spans = [(stay.first, stay.last, stay.station, stay.untimed) for stay in found]
    for first, (began, ended, station, untimed_) in enumerate(spans):
        if station is None or untimed_:
            continue
        for second, (other_began, other_ended, elsewhere, unclear) in enumerate(
            spans[first + 1 :], first + 1
        ):
            if other_began > ended:
                break  # they are in order of their beginnings: the others begin later still
            if elsewhere is None or station == elsewhere or unclear:
                continue
            together = min(ended, other_ended) - max(began, other_began)
            if together > SKEW or _inside(began, ended, other_began, other_ended):
                pairs.append((first, second))
    return pairs


def _inside(began: datetime, ended: datetime, other_began: datetime, other_ended: datetime) -> bool:
    if ended - began >= other_ended - other_began:
        return other_began - began > SKEW and ended - other_ended > SKEW
    return began - other_began > SKEW and other_ended - ended > SKEW


def _order(witness: Witness) -> tuple[datetime, int, datetime, Evidence]:
    return witness.start, _RANK[witness.role], witness.end, witness.statement.evidence


_RANK: Final = {"arrived": 0, "present": 1, "departed": 2}

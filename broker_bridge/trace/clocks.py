"""What a board's own statements show about the clocks of its machines: late messages, clocks that are wrong.

Where the time of a message and that of its intake differ, the adapter lets the intake's stand in (flag
`clock_suspect`) and keeps the machine's text. Either the message was late, then the machine is right; or the machine's
clock is wrong, then the intake is. What the same station said at other moments tells which:

1. Another message of the station is wrong by as much: the clock is wrong, the moment of intake holds.
2. The station was right at the nearest other moment, and this one is old: it was late, the machine's time holds.
3. Neither: its time is only that of its intake. It may belong to another visit, so it proves none by itself.

Files of that station come from the same machine, commonly. One that fits none of the station's passes as its messages
tell them, but fits one once the error is taken off, is taken to be of that pass; one that fits none is doubtful. Nothing
that was corrected is an observed time any more.

This looks at one board. Offset and drift over a whole line's statements are another matter.
"""

import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from broker_bridge.trace.belief import Belief, inferred
from broker_bridge.trace.witnesses import SUSPECT, Witness

UNTIMED: Final = 0.5
"""A statement whose time nothing supports: it may be of another visit."""

_ALIKE: Final = timedelta(seconds=2)
"""Two messages are wrong by as much: their ways to us differ by less than this. Common practice, no source."""
_AROUND: Final = timedelta(seconds=10)
"""How far work may stick out of the pass it belongs to: whole seconds, and twice the tolerance under which a machine's
time is taken as it is (`clock_tolerance_s`)."""
_QUARTER: Final = timedelta(minutes=15)
_ZERO: Final = timedelta(0)
_LOCAL: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d{1,6})?", re.ASCII)


class _Pass(NamedTuple):
    start: datetime | None
    end: datetime | None
    error: timedelta
    """By how much the machine's clock was ahead."""


def judged(witnesses: Iterable[Witness]) -> list[Witness]:
    """The same witnesses in the same order, corrected or made doubtful where the others show that it is due."""
    seen = list(witnesses)
    told = _Zone(seen)
    stations: dict[str | None, list[int]] = {}
    for place, witness in enumerate(seen):
        stations.setdefault(witness.station, []).append(place)
    for station, places in stations.items():
        ends = [place for place in places if seen[place].role != "present"]
        if station is None or not ends:
            continue
        errors = {place: told.error(seen[place]) for place in ends}
        for place in ends:
            if errors[place] != _ZERO:
                others = [(seen[other], errors[other]) for other in ends if other != place]
                seen[place], errors[place] = _message(seen[place], errors[place], others)
        passes = _passes([(seen[place], errors[place]) for place in ends])
        for place in places:
            if seen[place].role == "present" and not _of_wire(seen[place]):
                seen[place] = _work(seen[place], passes)
    return seen


def untimed(witness: Witness) -> bool:
    """Whether nothing supports its time, so that it must not contradict what others saw."""
    return witness.clock is not None and witness.belief.certainty != "observed"


class _Zone:
    """The offsets from UTC that the sources' texts have, as messages beyond suspicion show them."""

    def __init__(self, witnesses: Sequence[Witness]) -> None:
        self._offsets: dict[str, list[tuple[datetime, timedelta]]] = {}
        for witness in witnesses:
            shift = _shift(witness)
            if shift is not None and not _suspect(witness) and shift % _QUARTER == _ZERO:
                source = witness.statement.fact.source
                self._offsets.setdefault(source, []).append((witness.start, shift))

    def error(self, witness: Witness) -> timedelta | None:
        """By how much the machine's time is ahead of the intake; None where it cannot be told."""
        if not _suspect(witness):
            return None if witness.clock else _ZERO
        shift = _shift(witness)
        known = self._offsets.get(witness.statement.fact.source)
        if shift is None or not known:
            return None
        return shift - min(known, key=lambda entry: abs(entry[0] - witness.start))[1]


def _message(
    witness: Witness, error: timedelta | None, others: Sequence[tuple[Witness, timedelta | None]]
) -> tuple[Witness, timedelta | None]:
    if error is None:
        return _doubtful(witness, witness.clock or "its time cannot be checked"), None
    if any(other and abs(other - error) <= _ALIKE for _, other in others):
        text = f"its clock is {_told(error)}, as several messages show: the moment of intake stands in"
        return witness._replace(clock=text), error
    if error < _ZERO and others:
        time = witness.start + error
        if min(others, key=lambda other: abs(other[0].start - time))[1] == _ZERO:
            text = f"the message came {_seconds(error)} late: the machine's own time is told"
            return witness._replace(start=time, end=time, clock=text), _ZERO
    return _doubtful(witness, f"its clock is {_told(error)}, or the message was late"), None


def _passes(ends: Sequence[tuple[Witness, timedelta | None]]) -> list[_Pass]:
    """The station's passes; an end that is not known reaches to the neighbouring pass."""
    passes: list[_Pass] = []
    for witness, error in sorted(
        ((w, e) for w, e in ends if not untimed(w)), key=lambda pair: (pair[0].start, pair[0].role)
    ):
        if witness.role == "arrived":
            passes.append(_Pass(witness.start, None, error or _ZERO))
        elif passes and passes[-1].end is None:
            passes[-1] = passes[-1]._replace(end=witness.start)
        else:
            passes.append(_Pass(None, witness.start, error or _ZERO))
    return [
        one._replace(
            start=one.start or (passes[place - 1].end if place else None),
            end=one.end or (passes[place + 1].start if place + 1 < len(passes) else None),
        )
        for place, one in enumerate(passes)
    ]


def _work(witness: Witness, passes: Sequence[_Pass]) -> Witness:
    if not passes or any(one.error == _ZERO and _inside(witness, one, _ZERO) for one in passes):
        return witness
    fitting = {one.error for one in passes if one.error != _ZERO and _inside(witness, one, one.error)}
    if len(fitting) == 1:
        (error,) = fitting
        return witness._replace(
            start=witness.start - error,
            end=witness.end - error,
            clock=f"its machine's clock is {_told(error)}, as its messages show: that much is taken off",
        )
    return _doubtful(witness, "the time it states fits none of the passes that its station's messages tell")


def _inside(witness: Witness, one: _Pass, error: timedelta) -> bool:
    return (one.start is None or witness.start - error >= one.start - _AROUND) and (
        one.end is None or witness.end - error <= one.end + _AROUND
    )


def _doubtful(witness: Witness, why: str) -> Witness:
    doubt: Belief = inferred(UNTIMED, f"the time is doubtful, and so is which visit it was: {why}")
    return witness.doubted(doubt)._replace(clock=why)


def _suspect(witness: Witness) -> bool:
    return SUSPECT in (witness.statement.fact.data["origin"].get("flags") or ())


def _of_wire(witness: Witness) -> bool:
    return witness.statement.time_means in ("sent", "taken_in")


def _shift(witness: Witness) -> timedelta | None:
    """The machine's text, taken for UTC, ahead of the time in the record."""
    text = witness.statement.fact.data["origin"].get("time_text") or ""
    if witness.role == "present" or not _LOCAL.fullmatch(text):
        return None
    try:
        local = datetime.fromisoformat(text.replace(",", "."))
    except ValueError:
        return None
    return local - witness.start.replace(tzinfo=None)


def _told(error: timedelta) -> str:
    return f"{_seconds(error)} {'ahead' if error > _ZERO else 'behind'}"


def _seconds(error: timedelta) -> str:
    return f"{abs(error).total_seconds():.0f} s"

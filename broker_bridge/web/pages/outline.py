"""A board's outline with its designators, and what is wrong where. Pure: a history and its placement in, geometry out."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from broker_bridge.queries.parts import Component
from broker_bridge.trace.history import History
from broker_bridge.words.telling import safe

_WIDTH: Final = 520.0
_EDGE_MM: Final = 4.0
_NAMED: Final = 150
"""With more components than this only those are named where something is wrong."""
_GRAVITY: Final = ("open", "asked", "closed", "fine")


class Spot(NamedTuple):
    """A component."""

    name: str
    x: float
    y: float
    state: str
    """open: a defect that is open. asked: a call that nobody judged. closed: a defect that is closed. fine: no call."""
    mark: str
    """D1, U2; empty where nothing is wrong."""
    text: str
    named: bool


class Side(NamedTuple):
    """One side, seen from itself."""

    name: str
    width: float
    height: float
    spots: tuple[Spot, ...]
    size: str
    """In words, as far as components go."""


def outline(history: History, components: Sequence[Component]) -> list[Side]:
    """A picture of each side; none where no places are declared."""
    placed = [one for one in components if one.x is not None and one.y is not None]
    sides = dict.fromkeys(one.side or "" for one in placed)
    states = _states(history)
    return [_side(name, [one for one in placed if (one.side or "") == name], states) for name in sides]


def _side(name: str, placed: Sequence[Component], states: dict[str, tuple[str, str]]) -> Side:
    left, low = min(c.x or 0.0 for c in placed), min(c.y or 0.0 for c in placed)
    right, high = max(c.x or 0.0 for c in placed), max(c.y or 0.0 for c in placed)
    wide, tall = right - left + 2 * _EDGE_MM, high - low + 2 * _EDGE_MM
    scale = _WIDTH / max(wide, tall)
    spots = []
    for one in placed:
        state, mark = states.get(one.designator, ("fine", ""))
        spots.append(
            Spot(
                name=safe(one.designator),
                x=round(((one.x or 0.0) - left + _EDGE_MM) * scale, 1),
                y=round((high - (one.y or 0.0) + _EDGE_MM) * scale, 1),
                state=state,
                mark=mark,
                text=safe(f"{one.designator}{f', {one.item}' if one.item else ''}: {_WORDS[state]}"),
                named=len(placed) <= _NAMED or state != "fine",
            )
        )
    return Side(
        safe(name), round(wide * scale, 1), round(tall * scale, 1), tuple(spots),
        f"components lie within {right - left:.0f} mm by {high - low:.0f} mm",
    )  # fmt: skip


_WORDS: Final = {
    "open": "open defect", "asked": "called, not judged", "closed": "defect, closed", "fine": "nothing called",
}  # fmt: skip


def _states(history: History) -> dict[str, tuple[str, str]]:
    found: dict[str, tuple[str, str]] = {}
    for designator, state, mark in _said(history):
        if designator not in found or _GRAVITY.index(state) < _GRAVITY.index(found[designator][0]):
            found[designator] = state, mark
    return found


def _said(history: History) -> Iterator[tuple[str, str, str]]:
    for number, defect in enumerate(history.defects, 1):
        if defect.place.designator:
            yield defect.place.designator, "open" if defect.state == "open" else "closed", f"D{number}"
    for number, call in enumerate(history.undecided, 1):
        if call.place.designator:
            yield call.place.designator, "asked", f"U{number}"

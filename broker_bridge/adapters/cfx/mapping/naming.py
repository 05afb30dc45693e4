"""Whom the identifiers and units of a message name.

A unit is named in one of two ways, and nothing in the message says in which: by its own identifier, or by that of its
panel or carrier together with its number there. It is told apart by what can be seen: several units with one
identifier, or a unit with the identifier of the whole, are numbered in a panel; units with different ones have their own.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final, Literal, NamedTuple

from broker_bridge.adapters.cfx.protocol.node import Node, Notes
from broker_bridge.adapters.cfx.protocol.scalars import NIL
from broker_bridge.adapters.cfx.protocol.words import UNIT_STATUS
from broker_bridge.events.base import Board, How, Identifier, PositionState

_GUID: Final = re.compile(r"[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_STATES: Final[dict[str, PositionState]] = {
    "Pass": "good",
    "Fail": "failed",
    "Scrap": "failed",
    "Skip": "skipped",
}


class Naming(NamedTuple):
    """What the plant says about names (config.CfxAdapter has the words)."""

    labels: Literal["panel", "board", "carrier"] | None
    positions: Literal["machine", "plant"]
    placeholders: frozenset[str]
    """In lower case."""

    def is_placeholder(self, text: str) -> bool:
        """Whether an identifier stands for "none"."""
        text = text.strip()
        return len(set(text)) <= 1 or text.casefold() in self.placeholders


class Unit(NamedTuple):
    """One unit as a message states it."""

    identifier: str | None
    number: int | None
    state: PositionState | None = None


class Whole(NamedTuple):
    """The board, panel or carrier that travels, and what is known of how its units are named."""

    identifier: str | None = None
    transfer: str | None = None
    panels: frozenset[str] = frozenset()
    """Identifiers in which units are numbered."""
    own: frozenset[str] = frozenset()
    """Identifiers that units have for themselves."""


NOTHING: Final = Whole()


def identifier(text: str | None, naming: Naming, notes: Notes) -> str | None:
    """A barcode; None where it is absent or a placeholder."""
    if not text:
        return None
    if naming.is_placeholder(text):
        notes.flag("placeholder_identifier")
        return None
    return text


def transfer_id(text: str | None, notes: Notes) -> str | None:
    """A BoardId of IPC-HERMES-9852, in lower case (RFC 9562, section 4); what is no GUID names nothing."""
    if not text or text == NIL:
        return None
    if not _GUID.fullmatch(text):
        notes.flag("transfer_id_no_guid")
        return None
    return text.lower()


def units(nodes: Iterable[Node], naming: Naming, notes: Notes) -> list[Unit]:
    """Units of a message, of whichever spelling."""
    return [unit(node, naming, notes) for node in nodes]


def unit(node: Node, naming: Naming, notes: Notes) -> Unit:
    """One unit: its identifier, and its number (PositionNumber or UnitPositionNumber)."""
    number = node.whole("UnitPositionNumber")
    if number is None:
        number = node.whole("PositionNumber")
    word = node.word("Status", UNIT_STATUS) if node.has("Status") else None
    if word == "Scrap":
        notes.flag("stated_scrap")
    return Unit(
        identifier(node.text("UnitIdentifier"), naming, notes), number, _STATES.get(word) if word else None
    )


def whole(primary: str | None, transfer: str | None, found: Sequence[Unit], before: Whole) -> Whole:
    """What is known of the names once these units are seen beside what was known before."""
    names = Counter(unit.identifier for unit in found if unit.identifier is not None)
    shared = {name for name, times in names.items() if times > 1}
    travels = primary or before.identifier
    if travels is not None and travels in names and (len(found) > 1 or (found[0].number or 0) > 1):
        shared.add(travels)
    beside = travels is not None and travels not in names
    own = set(names) - shared if len(found) > 1 or beside else set()
    return Whole(
        travels,
        transfer or before.transfer,
        (before.panels | shared) - own,
        (before.own | own) - shared,
    )


def boards(about: Whole, found: Sequence[Unit], naming: Naming, notes: Notes, how: How) -> tuple[Board, ...]:
    """The thing that travels, where it is named, then its units."""
    alone = found[0] if len(found) == 1 else None
    if alone is not None and alone.identifier is not None and about.identifier in (None, alone.identifier):
        # One unit that travels by itself: what it is called is all that is known of it.
        itself = _itself(about._replace(identifier=alone.identifier), naming, how, units_known=False)
        return (_placed(itself, alone, naming, notes),)
    result: list[Board] = []
    if about.identifier is not None or about.transfer is not None:
        result.append(_itself(about, naming, how, units_known=bool(found)))
    result += [board(one, about, naming, notes, how) for one in found]
    return tuple(result)


def board(one: Unit, about: Whole, naming: Naming, notes: Notes, how: How) -> Board:
    """One unit."""
    name = one.identifier
    if (
        name is None
        or name in about.panels
        or (name == about.identifier and name not in about.own and about.own)
    ):
        panel = name or about.identifier or next(iter(sorted(about.panels)), None)
        if naming.labels == "carrier" or panel is None:
            lying = (Identifier(kind="carrier", value=panel, how=how),) if panel else ()
            nest = None if one.number is None else str(one.number)
            return Board(unit="board", identifiers=lying, nest=nest, state=one.state)
        return _placed(
            Board(unit="board", panel=Identifier(kind="panel", value=panel, how=how)), one, naming, notes
        )
    if name in about.own:
        inside = about.identifier if about.identifier != name else None
        panel_name = None
        names: tuple[Identifier, ...] = (Identifier(kind="board", value=name, how=how),)
        if inside is not None and naming.labels == "carrier":
            names = (*names, Identifier(kind="carrier", value=inside, how=how))
        elif inside is not None:
            panel_name = Identifier(kind="panel", value=inside, how=how)
        if panel_name is None:
            nest = None if one.number is None else str(one.number)
            return Board(unit="board", identifiers=names, nest=nest, state=one.state)
        return _placed(Board(unit="board", identifiers=names, panel=panel_name), one, naming, notes)
    kind = naming.labels or "label"
    if kind == "panel":
        return _placed(
            Board(unit="board", panel=Identifier(kind="panel", value=name, how=how)), one, naming, notes
        )
    if kind == "carrier":
        nest = None if one.number is None else str(one.number)
        return Board(identifiers=(Identifier(kind=kind, value=name, how=how),), nest=nest, state=one.state)
    return _placed(
        Board(
            unit="board" if kind == "board" else "unknown",
            identifiers=(Identifier(kind=kind, value=name, how=how),),
        ),
        one,
        naming,
        notes,
    )


def named(board: Board) -> bool:
    """Whether anything tells this board from others."""
    return bool(board.identifiers) or board.panel is not None


def _itself(about: Whole, naming: Naming, how: How, *, units_known: bool) -> Board:
    names: list[Identifier] = []
    if about.transfer is not None:
        names.append(Identifier(kind="transfer", value=about.transfer, how="passed_on"))
    is_panel = about.identifier in about.panels or bool(about.own)
    kind = naming.labels or "label"
    if kind != "carrier" and is_panel:
        kind = "panel"
    if about.identifier is not None:
        names.append(Identifier(kind=kind, value=about.identifier, how=how))
    unit: Literal["panel", "board", "unknown"] = "unknown"
    if kind == "panel" or (is_panel and units_known and kind != "carrier"):
        unit = "panel"
    elif kind == "board":
        unit = "board"
    return Board(unit=unit, identifiers=tuple(names))


def _placed(board: Board, one: Unit, naming: Naming, notes: Notes) -> Board:
    """The board with its place in the panel and its state."""
    update: dict[str, object] = {"state": one.state}
    if one.number is not None and board.unit != "panel":
        plants = naming.positions == "plant" and board.panel is not None
        if plants and 1 <= one.number <= 9999:
            update["position"] = one.number
        elif board.panel is not None:
            if plants:
                notes.flag("position_out_of_range")
            update["machine_position"] = str(one.number)
    return board.model_copy(update=update)

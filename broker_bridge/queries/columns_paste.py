"""The paste of many prints as tables, prints x pads, one for each part number and side; with what is known of each print.

A print that was washed off, or printed over, is void. What was measured of the same print again (after a top-up) is kept apart
from its first measurement.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from broker_bridge.analysis.columns import Floats
from broker_bridge.errors import RecordDamaged, WireError
from broker_bridge.events.fact import Fact
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Progress, holding_facts, instant
from broker_bridge.queries.columns_boards import PRODUCT, Boards
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf

MEASURED: Final = "reading.paste_measured"
_PRINTS: Final = ("work.print_attempted", "work.washed", "work.stencil_cleaned")
_CLOCKS: Final = 180_000_000
"""Microseconds by which the clocks of printer and inspection may differ when a print is joined to its measurement."""
STROKES: Final = {"front_to_rear": "front to rear", "rear_to_front": "rear to front"}


class Pad(NamedTuple):
    """A pad of a panel."""

    position: int
    """0: the panel as a whole, or not known."""
    designator: str | None
    name: str | None
    """Its termination, or the pad's own number."""

    def __str__(self) -> str:
        told = " ".join(text for text in (self.designator, self.name) if text) or "pad"
        return f"{told} #{self.position}" if self.position else told


class Attempt(NamedTuple):
    """A print as the printer tells of it."""

    time: int
    stencil: str | None
    program: str | None
    stroke: str | None
    prints_seen: float | None
    """Since the stencil was mounted."""


class Measured(NamedTuple):
    """One measurement of one panel."""

    panel: str
    time: int
    station: str | None
    program: str | None
    boards: tuple[int, ...]
    print: Attempt | None
    void: bool
    again: bool
    """The same print had been measured before."""
    cleaned_before: bool


class Prints:
    """All measurements of one part number and side, in order of time."""

    def __init__(self, part: str | None, side: str | None) -> None:
        self.part, self.side = part, side
        self.pads: list[Pad] = []
        self.rows: list[Measured] = []
        self.units: dict[str, str] = {}
        self.tables: dict[str, Floats] = {}
        """By column: prints x pads."""

    def first(self) -> "Prints":
        """Without what was measured again of the same print."""
        return self._only([not row.again for row in self.rows])

    def of(self, designator: str | None, position: int | None) -> "Prints":
        """The pads of one component or position only."""
        mask = [
            (designator is None or (pad.designator or "").casefold() == designator.casefold())
            and position in (None, pad.position)
            for pad in self.pads
        ]
        found = Prints(self.part, self.side)
        found.pads = [pad for pad, kept in zip(self.pads, mask, strict=True) if kept]
        found.rows, found.units = self.rows, self.units
        found.tables = {name: table[:, mask] for name, table in self.tables.items()}
        return found

    @property
    def void(self) -> list[bool]:
        """One entry a print."""
        return [row.void for row in self.rows]

    @property
    def name(self) -> str:
        """Part and side in words."""
        return " ".join(text for text in (self.part or "part not stated", self.side) if text)

    def _only(self, mask: Sequence[bool]) -> "Prints":
        found = Prints(self.part, self.side)
        found.pads, found.units = self.pads, self.units
        found.rows = [row for row, kept in zip(self.rows, mask, strict=True) if kept]
        found.tables = {name: table[np.asarray(mask, bool)] for name, table in self.tables.items()}
        return found


class Paste(NamedTuple):
    """The paste of a record."""

    boards: Boards
    prints: list[Prints]
    as_of: AsOf
    nameless: int
    """Measurements of which no panel is known: in no table."""
    printed: Mapping[tuple[str, str | None], Sequence[int]] = {}
    """By panel and side the instants at which paste was printed or washed off."""


def read_paste(
    record: Record,
    as_of: AsOf,
    choice: Choice,
    wanted: Collection[str],
    progress: Progress = lambda done, of: None,
) -> Paste:
    """The wanted columns of what is asked for. Raises RecordDamaged where a block cannot be unpacked."""
    boards = Boards(record.index, as_of.number)
    attempts: dict[tuple[str, str | None], list[Attempt]] = {}
    washes: dict[tuple[str, str | None], list[int]] = {}
    cleanings: dict[str | None, list[int]] = {}
    for fact in holding_facts(record, _PRINTS, as_of, progress, "prints"):
        time = instant(fact.time) or 0
        if fact.type == "work.stencil_cleaned":
            cleanings.setdefault(fact.data.get("stencil"), []).append(time)
            continue
        for panel in {boards.panel(board) for board in boards.named(fact.data)}:
            key = panel, fact.data.get("side")
            if fact.type == "work.washed":
                washes.setdefault(key, []).append(time)
            else:
                attempts.setdefault(key, []).append(_attempt(fact, time))
    blocks: dict[tuple[str | None, str | None], dict[tuple[str, int], list[_Block]]] = {}
    nameless = 0
    unpacker = _Unpacker(wanted)
    for fact in holding_facts(record, (MEASURED,), as_of, progress, "paste values"):
        named = boards.named(fact.data)
        if not choice.of(fact):
            continue
        if not named:
            nameless += 1
            continue
        time = instant(fact.data.get("started")) or instant(fact.time) or 0
        part = (fact.data.get("part") or {}).get("number") or boards.part[named[0]]
        position = (boards.position(named[0]) or 0) if len(named) == 1 else 0
        block = _Block(fact, named, position, *unpacker.read(fact))
        whole = blocks.setdefault((part, fact.data.get("side")), {})
        whole.setdefault((boards.panel(named[0]), time), []).append(block)
    found = []
    for (part, side), whole in sorted(blocks.items(), key=lambda item: str(item[0])):
        prints = _table(part, side, whole, unpacker, boards, choice)
        _join(prints, attempts, washes, cleanings)
        if prints.rows:
            found.append(prints)
    printed = {
        key: sorted([a.time for a in attempts.get(key, ())] + washes.get(key, []))
        for key in {*attempts, *washes}
    }
    return Paste(boards, found, as_of, nameless, printed)


class _Block(NamedTuple):
    fact: Fact
    boards: tuple[int, ...]
    position: int
    pads: tuple[tuple[str | None, str | None], ...]
    """Designator and name, the same object for equal columns."""
    columns: Mapping[str, Floats]


class _Unpacker:
    """Unpacks the columns that are wanted; names of pads once for all blocks that hold the same bytes."""

    def __init__(self, wanted: Collection[str]) -> None:
        self._wanted = set(wanted)
        self._pads: dict[tuple[str, ...], tuple[tuple[str | None, str | None], ...]] = {}
        self.units: dict[str, str] = {}

    def read(self, fact: Fact) -> tuple[tuple[tuple[str | None, str | None], ...], Mapping[str, Floats]]:
        from broker_bridge.events.columns import unpack_numbers, unpack_texts
        from broker_bridge.events.reading import Column

        stated = {column["name"]: column for column in fact.data["columns"]}
        try:
            named = [name for name in ("designator", "termination", "pad") if name in stated]
            key = tuple(stated[name]["data"] for name in named)
            if key not in self._pads:
                texts = {
                    name: _texts(Column.model_validate(stated[name]), unpack_texts, unpack_numbers)
                    for name in named
                }
                none: list[str | None] = [None] * int(fact.data["pads"])
                own = texts.get("termination") or texts.get("pad") or none
                self._pads[key] = tuple(zip(texts.get("designator", none), own, strict=True))
            columns = {}
            for name in self._wanted & stated.keys():
                column = Column.model_validate(stated[name])
                if column.encoding != "text":
                    columns[name] = unpack_numbers(column)
                    if column.unit:
                        self.units[name] = column.unit
        except (WireError, ValueError) as error:
            raise RecordDamaged(f"paste values of event {fact.id} of {fact.source}: {error}") from error
        return self._pads[key], columns


def _texts(column: Any, texts: Any, numbers: Any) -> list[str | None]:
    if column.encoding == "text":
        found: list[str | None] = texts(column)
        return found
    return [None if value != value else f"{value:g}" for value in numbers(column).tolist()]


def _attempt(fact: Fact, time: int) -> Attempt:
    values = {value["name"]: value for value in fact.data.get("values", ())}
    stroke = STROKES.get(fact.data.get("stroke") or "") or values.get("stroke", {}).get("text")
    program = fact.data.get("program") or {}
    return Attempt(
        time,
        fact.data.get("stencil"),
        program.get("name"),
        stroke,
        values.get("prints_since_mounting", {}).get("value"),
    )


def _table(
    part: str | None, side: str | None, whole: Mapping[tuple[str, int], list[_Block]], unpacker: _Unpacker,
    boards: Boards, choice: Choice,
) -> Prints:  # fmt: skip
    prints = Prints(part, side)
    prints.units = dict(unpacker.units)
    place: dict[Pad, int] = {}
    known: dict[tuple[int, int], np.ndarray[Any, np.dtype[np.intp]]] = {}
    kept: list[tuple[Measured, list[tuple[np.ndarray[Any, np.dtype[np.intp]], _Block]]]] = []
    for (panel, time), some in sorted(whole.items(), key=lambda item: item[0][1]):
        mine = []
        for block in some:
            if not choice.any_purpose and any(boards.purpose[b] not in PRODUCT for b in block.boards):
                continue
            key = id(block.pads), block.position
            if key not in known:
                pads = [Pad(block.position, *pad) for pad in block.pads]
                known[key] = np.asarray([place.setdefault(pad, len(place)) for pad in pads], np.intp)
            mine.append((known[key], block))
        if not mine:
            continue
        data = mine[0][1].fact.data
        members = tuple(b for _, block in mine for b in block.boards)
        program = (data.get("program") or {}).get("name")
        row = Measured(panel, time, data.get("station"), program, members, None, False, False, False)
        kept.append((row, mine))
    prints.pads, prints.rows = list(place), [row for row, _ in kept]
    for name in sorted({name for _, mine in kept for _, block in mine for name in block.columns}):
        table = np.full((len(kept), len(place)), np.nan)
        for number, (_, mine) in enumerate(kept):
            for columns, block in mine:
                if name in block.columns:
                    table[number, columns] = block.columns[name]
        prints.tables[name] = table
    return prints


def _join(
    prints: Prints,
    attempts: Mapping[tuple[str, str | None], Sequence[Attempt]],
    washes: Mapping[tuple[str, str | None], Sequence[int]],
    cleanings: Mapping[str | None, Sequence[int]],
) -> None:
    """Find the print of each measurement; void is what was washed off or printed over."""
    of_panel: dict[str, list[int]] = {}
    for number, row in enumerate(prints.rows):
        of_panel.setdefault(row.panel, []).append(number)
    for panel, numbers in of_panel.items():
        key = panel, prints.side
        tried = sorted(attempts.get(key, ()))
        washed = sorted(washes.get(key, ()))
        used: int | None = None
        for order, number in enumerate(numbers):
            row = prints.rows[number]
            if len(tried) == len(numbers):
                which: int | None = order
            else:
                earlier = [i for i, attempt in enumerate(tried) if attempt.time <= row.time + _CLOCKS]
                which = earlier[-1] if earlier else None
            following = prints.rows[numbers[order + 1]].time if order + 1 < len(numbers) else None
            over = which is not None and which + 1 < len(tried)
            off = any(
                time >= row.time - _CLOCKS and (following is None or time <= following) for time in washed
            )
            again = order > 0 and which == used and not prints.rows[numbers[order - 1]].void
            prints.rows[number] = row._replace(
                print=None if which is None else tried[which], void=over or off, again=again
            )
            used = which
    last: dict[str | None, int] = {}
    for number, row in enumerate(prints.rows):
        if row.print is None:
            continue
        stencil = row.print.stencil
        since = last.get(stencil, 0)
        last[stencil] = row.print.time
        if since:
            between = any(since < time <= row.print.time for time in cleanings.get(stencil, ()))
            prints.rows[number] = row._replace(cleaned_before=between)

"""Which board a statement is about, settled for all boards at once by the ties of the index.

A board is told by its panel and position, by its serial, or by both where exactly one of each belongs together. Where
names contradict each other, nothing is weighed here, as the history of one board does it: what is said under such a name
is counted apart as in doubt. A statement of a panel is one of each of its boards.

A board's key is one integer: the number of its serial (or of another name, where it has no better), or its panel's number
and the position, packed (`_slot`). The same rules stand twice, for arrays of rows and for one entry of an event; a test holds
them against each other.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.projector.index import Index
from broker_bridge.projector.said import ALIASES, ASSEMBLY, BLANK, BOARD, OTHER, PANEL, SKIPPED
from broker_bridge.projector.ties import Ties, all_ties
from broker_bridge.trace.mentions import CARRIERS, Node
from broker_bridge.trace.statements import is_placeholder

PRODUCT: Final = (None, "production")

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_PLACES: Final = 32
"""Bits of a position in a key."""


class Boards:
    """All boards that statements name, by numbers of their own."""

    def __init__(self, index: Index, upto: int) -> None:
        self._index = index
        ties = all_ties(index.path, upto)
        self._kinds = ties.kinds
        self._top = self._labels(ties)
        thing, whole, position = ties.parts
        board = (ties.kinds[thing] == BOARD) | (ties.kinds[thing] == BLANK)
        placed = board & (ties.kinds[whole] == PANEL) & (position > 0)
        slots = _slot(self._top[whole[placed]], position[placed])
        self._within = _distinct(slots)
        """Every position of a panel that is known, as a key; in order of panel and position."""
        named = ties.kinds[thing[placed]] == BOARD
        serial, slots = _pairs(thing[placed][named], slots[named])
        self._slots_of, self._slot_of = _counted(serial, slots, len(self._kinds))
        self._taken, first, self._serials = np.unique(slots, return_index=True, return_counts=True)
        self._serial = serial[first]
        self._alias = self._aliases(ties)

        self.keys: Ints = np.empty(0, np.int64)
        """Of each board."""
        self.part: list[str | None] = []
        self.order: list[str | None] = []
        self.purpose: list[str | None] = []
        self.crossed_out: set[int] = set()
        """Positions that a source skipped: they use no parts and are in no yield."""
        self.doubtful: set[int] = set()
        """Boards whose names contradict each other."""
        self._unplaced: dict[int, int] = {}
        """The panel of serials of which it is told, and not at which position."""
        self._code: dict[int, int] | None = None
        self._ids: dict[Node, int] = {}
        self._texts: dict[int, str] = {}
        self._met: dict[int, set[int]] = {}
        """Positions that entries told of and no tie did, by panel."""

    def __len__(self) -> int:
        return len(self.part)

    # -- what a board is called

    def key(self, code: int) -> str:
        """A board as a person calls it: its serial, else its panel and position."""
        key = self._key(code)
        if key >> _PLACES == 0:
            return self._text(key)
        serials, serial = self._on(key)
        return self._text(serial) if serials == 1 else f"{self._text(key >> _PLACES)} #{key & _MASK}"

    def panel(self, code: int) -> str:
        """The panel of a board; the board itself where it is in none that is known."""
        return self._text(self._panel_of(self._key(code)))

    def position(self, code: int) -> int | None:
        """The board's place in its panel."""
        key = self._key(code)
        return key & _MASK if key >> _PLACES else None

    @property
    def panels(self) -> Ints:
        """Of each board a number of its panel; of one in none a number of its own."""
        keys = np.asarray(self._all_keys(), np.int64)
        panels = np.where(keys >> _PLACES, keys >> _PLACES, keys)
        unplaced = self._unplaced
        for code in np.flatnonzero(np.isin(panels, list(unplaced))).tolist() if unplaced else ():
            panels[code] = unplaced.get(int(keys[code]), panels[code])
        return panels

    @property
    def positions(self) -> Ints:
        """Of each board its place in its panel; 0: none."""
        keys = np.asarray(self._all_keys(), np.int64)
        return np.where(keys >> _PLACES, keys & _MASK, 0)

    # -- what rows and entries are about

    def of_rows(self, rows: NDArray[Any], texts: Sequence[str | None]) -> tuple[Ints, Ints]:
        """Of many rows (module said) the boards each is about: places of rows, and codes of boards; in order of rows.

        Rows of which no name leads to a board have none. To be asked once, before any entry: it numbers the boards.
        """
        stated = _slot(self._top[rows["panel"]], rows["position"].astype(np.int64))
        stated[(rows["panel"] == 0) | (rows["position"] <= 0)] = 0
        self._within = _distinct(np.concatenate([self._within, stated[stated > 0]]))
        own = rows["own"].astype(np.int64)
        direct = (own > 0) | (stated > 0)
        key, doubt = self._direct(own, stated)
        place, named = np.flatnonzero(direct), key[direct]
        doubtful = named[doubt[direct]]
        crossed = named[(rows["flags"][direct] & SKIPPED) > 0]
        loose = direct & (stated == 0) & (own > 0) & (rows["panel"] > 0)
        names, first = np.unique(own[loose], return_index=True)
        panels = self._top[rows["panel"][loose][first]]
        self._unplaced = dict(zip(names.tolist(), panels.tolist(), strict=True))

        meant = self._meant(rows[~direct])
        other = np.flatnonzero(~direct)
        boards = self._kinds[meant] == BOARD
        key, doubt = self._direct(meant[boards], np.zeros(int(boards.sum()), np.int64))
        of_panel, key_of_panel, doubt_of_panel = self._whole(meant[self._kinds[meant] == PANEL])
        place = np.concatenate([place, other[boards], other[self._kinds[meant] == PANEL][of_panel]])
        named = np.concatenate([named, key, key_of_panel])
        doubtful = np.concatenate([doubtful, key[doubt], key_of_panel[doubt_of_panel]])

        order = np.argsort(place, kind="stable")
        place, named = place[order], named[order]
        self.keys, code = np.unique(named, return_inverse=True)
        code = code.astype(np.int64)
        self._code = None
        self.doubtful = set(np.searchsorted(self.keys, _distinct(doubtful)).tolist())
        self.crossed_out = set(np.searchsorted(self.keys, _distinct(crossed)).tolist())
        self._learn_rows(rows, place, code, texts)
        return place, code

    def named(self, data: Mapping[str, Any]) -> tuple[int, ...]:
        """The boards an event's data are about; empty where no name leads to one."""
        found: list[int] = []
        for entry in data.get("boards", ()):
            found += self.entry(entry)
        for code in found:
            self._learn(code, data)
        return tuple(dict.fromkeys(found))

    def entry(self, stated: Mapping[str, Any]) -> Sequence[int]:
        """The boards that one entry means."""
        own = slot = 0
        others: list[int] = []
        for one in stated.get("identifiers", ()):
            name = 0 if one["kind"] in CARRIERS else self._id(one)
            if one["kind"] == "board" and not own:
                own = name
            elif name:
                others.append(name)
        panel, position = stated.get("panel"), stated.get("position")
        within = int(self._top[self._id(panel)]) if panel is not None else 0
        if within and position:
            slot = within << _PLACES | position
            if not self._is_known(slot):
                self._met.setdefault(within, set()).add(slot)
        elif within and own:
            self._unplaced.setdefault(own, within)
        if own or slot:
            code = self._board(own, slot)
            if stated.get("state") in ("skipped", "missing"):
                self.crossed_out.add(code)
            return (code,)
        for name in others[:ALIASES]:
            meant = int(self._alias[name]) if self._kinds[name] == OTHER else name
            if self._kinds[meant] == PANEL:
                return self._boards_of(int(self._top[meant]))
            if self._kinds[meant] == BOARD:
                return (self._board(meant, 0),)
        return ()

    # -- rules, for arrays

    def _direct(self, own: Ints, stated: Ints) -> tuple[Ints, Mask]:
        """The keys of boards by serial (0: none) and position (0: none), and where names contradict each other."""
        tied = np.where(self._slots_of[own] == 1, self._slot_of[own], 0)
        tied[self._serials_on(tied) != 1] = 0
        key = np.where(own > 0, np.where(tied > 0, tied, own), stated)
        doubt = np.where(
            own > 0,
            np.where(tied > 0, (stated > 0) & (stated != tied), self._slots_of[own] > 0),
            self._serials_on(stated) > 1,
        )
        return key, doubt

    def _serials_on(self, slots: Ints) -> Ints:
        if not len(self._taken):
            return np.zeros(len(slots), np.int64)
        at = np.minimum(np.searchsorted(self._taken, slots), len(self._taken) - 1)
        return np.where(self._taken[at] == slots, self._serials[at], 0)

    def _meant(self, rows: NDArray[Any]) -> Ints:
        """Of rows without serial and position: the board or panel the first name leads to that leads to one; else 0."""
        meant = np.zeros(len(rows), np.int64)
        for column in range(ALIASES):
            name = rows[f"alias{column}"].astype(np.int64)
            one = np.where(self._kinds[name] == OTHER, self._alias[name], name)
            one[(self._kinds[one] != BOARD) & (self._kinds[one] != PANEL)] = 0
            meant = np.where(meant == 0, one, meant)
        return np.where(self._kinds[meant] == PANEL, self._top[meant], meant)

    def _whole(self, panels: Ints) -> tuple[Ints, Ints, Mask]:
        """The boards of panels: the place of the panel, the key of the board, and whether its names contradict each other."""
        start = np.searchsorted(self._within, panels << _PLACES)
        end = np.searchsorted(self._within, (panels + 1) << _PLACES)
        count = np.maximum(end - start, 1)
        place = np.repeat(np.arange(len(panels)), count)
        within = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        known = np.repeat(end > start, count)
        key = np.repeat(panels, count)
        key[known] = self._within[(np.repeat(start, count) + within)[known]]
        return place, key, self._serials_on(key) > 1

    def _learn_rows(self, rows: NDArray[Any], place: Ints, code: Ints, texts: Sequence[str | None]) -> None:
        for name in ("part", "order", "purpose"):
            said = rows[name][place].astype(np.int64)
            if name == "purpose":
                # A purpose that is no production is not taken back.
                product = np.asarray([text in PRODUCT for text in texts], bool)
                order = np.argsort(product[said], kind="stable")
            else:
                order = np.arange(len(said))
            order = order[said[order] > 0]
            taught, first = np.unique(code[order], return_index=True)
            found = np.zeros(len(self.keys), np.int64)
            found[taught] = said[order][first]
            column: list[str | None] = getattr(self, name)
            column[:] = [texts[word] for word in found.tolist()]

    # -- the same, for one entry

    def _board(self, own: int, slot: int) -> int:
        tied = int(self._slot_of[own]) if own and self._slots_of[own] == 1 else 0
        if tied and self._on(tied)[0] != 1:
            tied = 0
        code = self._number(tied or own or slot)
        if tied:
            doubt = slot not in (0, tied)
        else:
            doubt = bool(self._slots_of[own] > 0) if own else self._on(slot)[0] > 1
        if doubt:
            self.doubtful.add(code)
        return code

    def _boards_of(self, panel: int) -> Sequence[int]:
        """The boards of a panel; the panel as one thing where none is known."""
        start, end = np.searchsorted(self._within, [panel << _PLACES, (panel + 1) << _PLACES])
        slots = sorted({*self._within[start:end].tolist(), *self._met.get(panel, ())})
        return [self._board(0, slot) for slot in slots] or (self._number(panel),)

    def _on(self, slot: int) -> tuple[int, int]:
        """How many serials are known at a position, and the first."""
        at = int(np.searchsorted(self._taken, slot))
        if at == len(self._taken) or self._taken[at] != slot:
            return 0, 0
        return int(self._serials[at]), int(self._serial[at])

    def _is_known(self, slot: int) -> bool:
        at = int(np.searchsorted(self._within, slot))
        return at < len(self._within) and bool(self._within[at] == slot)

    def _number(self, key: int) -> int:
        codes = self._codes()
        code = codes.get(key)
        if code is None:
            code = codes[key] = len(codes)
            for column in (self.part, self.order, self.purpose):
                column.append(None)
        return code

    def _learn(self, code: int, data: Mapping[str, Any]) -> None:
        part = data.get("part")
        if part is not None and self.part[code] is None:
            self.part[code] = part["number"]
        if self.order[code] is None:
            self.order[code] = data.get("order")
        purpose = data.get("purpose")
        if purpose is not None and (self.purpose[code] is None or purpose not in PRODUCT):
            self.purpose[code] = self.purpose[code] if self.purpose[code] not in PRODUCT else purpose

    # -- names

    def _codes(self) -> dict[int, int]:
        if self._code is None:
            self._code = {key: code for code, key in enumerate(self.keys.tolist())}
        return self._code

    def _all_keys(self) -> Iterable[int]:
        return self.keys.tolist() if self._code is None else list(self._code)

    def _key(self, code: int) -> int:
        if code < len(self.keys):
            return int(self.keys[code])
        self.keys = np.asarray(list(self._codes()), np.int64)
        return int(self.keys[code])

    def _panel_of(self, key: int) -> int:
        return key >> _PLACES or self._unplaced.get(key, key)

    def _id(self, stated: Mapping[str, Any]) -> int:
        """The number of an identifier; 0: it stands for none, or is not in the index."""
        node = Node(stated["kind"], stated["value"])
        found = self._ids.get(node)
        if found is None:
            name = None if is_placeholder(node.value) else self._index.name(node)
            found = self._ids[node] = name.id if name is not None and name.id < len(self._kinds) else 0
        return found

    def _text(self, name: int) -> str:
        found = self._texts.get(name)
        if found is None:
            found = self._texts[name] = self._index.text(name)
        return found

    # -- ties

    def _labels(self, ties: Ties) -> Ints:
        """Of each name itself; of labels of panels that have several the first of them by text."""
        top = np.arange(len(ties.kinds))
        a, b = ties.same
        both = (ties.kinds[a] == PANEL) & (ties.kinds[b] == PANEL)
        leader: dict[int, int] = {}

        def highest(label: int) -> int:
            while leader.get(label, label) != label:
                label = leader[label]
            return label

        for one, other in zip(a[both].tolist(), b[both].tolist(), strict=True):
            first, second = highest(one), highest(other)
            if first != second:
                if self._index.text(second) < self._index.text(first):
                    first, second = second, first
                leader[second] = first
                leader.setdefault(first, first)
        for label in leader:
            top[label] = highest(label)
        return top

    def _aliases(self, ties: Ties) -> Ints:
        """Other identifiers to the one unit they name; 0 where they name none or several."""
        a, b = (np.concatenate(pair) for pair in (ties.same, ties.same[::-1]))
        unit = (ties.kinds[b] == BOARD) | (ties.kinds[b] == PANEL) | (ties.kinds[b] == ASSEMBLY)
        leads = (ties.kinds[a] == OTHER) & unit
        count, only = _counted(*_pairs(a[leads], self._top[b[leads]]), len(ties.kinds))
        return np.where(count == 1, only, 0)


_MASK: Final = (1 << _PLACES) - 1


def _slot(panel: Ints, position: Ints) -> Ints:
    return (panel.astype(np.int64) << _PLACES) | position


def _pairs(a: Ints, b: Ints) -> tuple[Ints, Ints]:
    """Each pair once."""
    values, number = np.unique(b, return_inverse=True)
    packed = _distinct((a << _PLACES) | number)
    return packed >> _PLACES, values[packed & _MASK]


def _distinct(values: Ints) -> Ints:
    """Each value once, in order. What is nearly in order is sorted faster than numpy's `unique` hashes it."""
    ordered: Ints = np.sort(values, kind="stable")
    new: Mask = np.append(True, ordered[1:] != ordered[:-1])[: len(ordered)]
    return ordered[new]


def _counted(names: Ints, values: Ints, size: int) -> tuple[Ints, Ints]:
    """Of each name how many values it has, and one of them."""
    count = np.bincount(names, minlength=size).astype(np.int64)
    one = np.zeros(size, np.int64)
    one[names] = values
    return count, one

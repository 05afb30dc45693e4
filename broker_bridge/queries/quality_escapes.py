"""Defects that an inspection had looked at and let pass, known because something found them later."""

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

import numpy as np

from broker_bridge.analysis.columns import distinct
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Ints, Mask, Spot, Work
from broker_bridge.queries.parts import Parts
from broker_bridge.queries.quality_looks import defects

_NEVER: Final = np.iinfo(np.int64).min


class _Real(NamedTuple):
    """A defect that something found."""

    board: int
    time: int
    spot: Spot
    station: int | None
    """None: the bench."""


class Later:
    """Defects that were found at a later look, or at the bench, where an earlier look had let the place pass."""

    def __init__(self, columns: Columns, parts: Parts, chosen: Mask, choice: Choice) -> None:
        looks = columns.looks
        self._columns, self._parts, self._choice = columns, parts, choice
        self._board, self._station, self._began = (
            looks.column(name) for name in ("board", "station", "began")
        )
        self._paste = looks.is_any("method", "paste")
        self._looked = ~self._paste & looks.is_any("outcome", "passed", "failed")
        self._again = self._seen_again()
        self._boards, self._looks = self._escaped(chosen)

    def items_of(self, mine: Mask) -> list[int]:
        """The board of each escape at one of these looks, each board's place once."""
        return list(self._boards[mine[self._looks]].tolist())

    def looked_again(self, rows: Ints) -> int:
        """How many boards something else looked at after one of these looks."""
        return distinct(self._board[rows[self._again[rows]]])

    def _seen_again(self) -> Mask:
        """Of each look whether another station looked at the board later."""
        board, station, began = self._board, self._station, self._began
        rows = np.flatnonzero(self._looked)
        # Looks are in order of time: what is written last of a board is its last look.
        where = np.full(len(self._columns.boards), -1, np.int64)
        last, elsewhere = np.full_like(where, _NEVER), np.full_like(where, _NEVER)
        where[board[rows]], last[board[rows]] = station[rows], began[rows]
        other = rows[station[rows] != where[board[rows]]]
        elsewhere[board[other]] = began[other]
        return np.asarray(np.where(station == where[board], elsewhere[board], last[board]) > began)

    def _escaped(self, chosen: Mask) -> tuple[Ints, Ints]:
        """Board and look of each escape."""
        columns = self._columns
        looks, boards = columns.looks, columns.boards
        side, words = looks.column("side"), looks.words
        real = list(self._real())
        looked, called, worked = self._of_boards({one.board for one in real})
        found: list[tuple[int, int]] = []
        for b, time, spot, where in real:
            last = max(
                (w.time for w in worked.get(b, ()) if w.time < time and w.spot.meets(spot)), default=-1
            )
            declared = self._parts.placement.get(boards.part[b] or "", {}).get(spot.designator or "")
            for row in looked.get(b, ()):
                if not (last < self._began[row] < time) or self._station[row] == where or not chosen[row]:
                    continue
                if spot.designator in looks.left_out.get(row, ()):
                    continue
                seen = words[side[row]]
                if declared is not None and None not in (declared.side, seen) and declared.side != seen:
                    continue  # it lies on the other side
                here = [n for n in called.get(row, ()) if columns.calls[n].spot.meets(spot)]
                verdicts = [columns.verdict[n] for n in here]
                if all(verdict is not None and verdict.verdict == "false_call" for verdict in verdicts):
                    found.append((b, row))
        table = np.asarray(found, np.int64).reshape(-1, 2)
        return table[:, 0], table[:, 1]

    def _real(self) -> Iterator[_Real]:
        columns, choice = self._columns, self._choice
        called: set[tuple[int, str | None]] = set()
        for one in defects(columns, np.ones(len(columns.looks), bool)):
            if choice.at(one.spot.designator) and not self._paste[one.look]:
                called.add((one.board, one.spot.designator))
                yield _Real(one.board, int(self._began[one.look]), one.spot, int(self._station[one.look]))
        for work in columns.works:
            real = (
                work.defect not in (None, "none found") and work.verdict != "false_scrap" and not work.paste
            )
            if real and (work.board, work.spot.designator) not in called and choice.at(work.spot.designator):
                yield _Real(work.board, work.time, work.spot, None)

    def _of_boards(
        self, wanted: set[int]
    ) -> tuple[Mapping[int, list[int]], Mapping[int, list[int]], Mapping[int, list[Work]]]:
        """Looks that saw these boards, calls of looks by number, and work on the boards."""
        of = np.zeros(len(self._columns.boards), bool)
        of[list(wanted)] = True
        looked: dict[int, list[int]] = {}
        rows = np.flatnonzero(self._looked & of[self._board])
        for row, b in zip(rows.tolist(), self._board[rows].tolist(), strict=True):
            looked.setdefault(b, []).append(row)
        called: dict[int, list[int]] = {}
        for number, call in enumerate(self._columns.calls):
            called.setdefault(call.look, []).append(number)
        worked: dict[int, list[Work]] = {}
        for work in self._columns.works:
            worked.setdefault(work.board, []).append(work)
        return looked, called, worked

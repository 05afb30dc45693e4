"""Defects that an inspection had looked at and let pass, known because something found them later."""

from typing import Any

import numpy as np

from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import Columns, Mask
from broker_bridge.queries.parts import Parts
from broker_bridge.queries.quality_looks import defects


class Later:
    """Defects that were found at a later look, or at the bench, where an earlier look had let the place pass."""

    def __init__(self, columns: Columns, parts: Parts, chosen: Mask, choice: Choice) -> None:
        looks = columns.looks
        board, station = looks.column("board").tolist(), looks.column("station").tolist()
        self._began = looks.column("began").tolist()
        self._board = board
        self._station = station
        paste = self._paste = looks.is_any("method", "paste")
        done = looks.is_any("outcome", "passed", "failed")
        of: dict[int, list[int]] = {}
        for row in np.flatnonzero(~paste & done).tolist():
            of.setdefault(board[row], []).append(row)
        self._of = of
        sides = looks.texts("side")
        calls: dict[int, list[int]] = {}
        for number, call in enumerate(columns.calls):
            calls.setdefault(call.look, []).append(number)
        found: list[tuple[int, int]] = []
        for b, time, spot, where in self._real(columns, choice):
            last = self._work_before(columns, b, spot, time)
            for row in of.get(b, ()):
                if not (last < self._began[row] < time) or station[row] == where or not chosen[row]:
                    continue
                if spot.designator in looks.left_out.get(row, ()):
                    continue
                declared = parts.placement.get(columns.boards.part[b] or "", {}).get(spot.designator or "")
                if (
                    declared is not None
                    and None not in (declared.side, sides[row])
                    and declared.side != sides[row]
                ):
                    continue  # it lies on the other side
                here = [n for n in calls.get(row, ()) if columns.calls[n].spot.meets(spot)]
                words = [v.verdict if (v := columns.verdict[n]) else None for n in here]
                if all(word == "false_call" for word in words):
                    found.append((b, row))
        self._found = found

    def _real(self, columns: Columns, choice: Choice) -> list[tuple[int, int, Any, int | None]]:
        told: list[tuple[int, int, Any, int | None]] = []
        everything = np.ones(len(columns.looks), bool)
        for one in defects(columns, everything):
            if choice.at(one.spot.designator) and not self._paste[one.look]:
                told.append((one.board, self._began[one.look], one.spot, self._station[one.look]))
        called = {(b, spot.designator) for b, _, spot, _ in told}
        for work in columns.works:
            real = (
                work.defect not in (None, "none found") and work.verdict != "false_scrap" and not work.paste
            )
            if real and (work.board, work.spot.designator) not in called and choice.at(work.spot.designator):
                told.append((work.board, work.time, work.spot, None))
        return told

    @staticmethod
    def _work_before(columns: Columns, board: int, spot: Any, time: int) -> int:
        return max(
            (w.time for w in columns.works if w.board == board and w.time < time and w.spot.meets(spot)),
            default=-1,
        )

    def items_of(self, rows: set[int]) -> list[tuple[int, int]]:
        """Board and look of each escape at one of these looks, each board's place once."""
        return [(b, row) for b, row in self._found if row in rows]

    def looked_again(self, rows: set[int]) -> int:
        """How many boards something else looked at after one of these looks."""
        found = set()
        for row in rows:
            b = self._board[row]
            if any(
                self._began[other] > self._began[row] and self._station[other] != self._station[row]
                for other in self._of.get(b, ())
            ):
                found.add(b)
        return len(found)

"""AOI: one file a panel, `<panel>_<T or B>_<yyyymmddhhmmss>_<count>.csv`; the panel is NOPANEL if it was not read.

UTF-8, lines end with LF, fields are separated by commas, decimal point. Times are plant time (Europe/Lisbon, summer
time included), `yyyy/mm/dd hh:mm:ss`. Each block has a heading that begins with `#`:

  HEAD   Machine, Program, Panel (empty if not read), Part, Side (T or B), Order, Start, End, Result (OK, NG), CodeX, CodeY
         (where the code was found on the panel, mm from the lower left of the view)
  BOARD  Position (from 0, see `positions`), Result (OK, NG, SKIP), Inspected, Placed (components of this side in the
         placement data), Calls
  COMP   Position, Designator, Result (OK, NG, OUT: not in the program), Defect (empty if OK or OUT), Pin (the
         termination; empty: the body)

Defects: MISS missing, SHIFT shifted, TOMB tombstone, POL wrong polarity, LIFT lifted lead, OPEN open, INSUF insufficient
solder, BRIDGE solder bridge. A bypassed panel leaves no file.
"""

from functools import cache

from broker_bridge.simulate.model.records import Inspected, Statement
from broker_bridge.simulate.products import BY_NUMBER
from broker_bridge.simulate.writers.writer import Clocks, Written

DEFECTS = {
    "missing": "MISS",
    "shifted": "SHIFT",
    "tombstone": "TOMB",
    "polarity": "POL",
    "lifted_lead": "LIFT",
    "open": "OPEN",
    "insufficient_solder": "INSUF",
    "bridge": "BRIDGE",
}

_HEAD = "#HEAD,Machine,Program,Panel,Part,Side,Order,Start,End,Result,CodeX,CodeY"
_BOARD = "#BOARD,Position,Result,Inspected,Placed,Calls"
_COMP = "#COMP,Position,Designator,Result,Defect,Pin"


@cache
def _designators(part: str, side: str) -> tuple[str, ...]:
    return tuple(component.designator for component in BY_NUMBER[part].side(side).components)


class AoiWriter:
    def __init__(self) -> None:
        self._count = 0

    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, Inspected)
        clock = clocks[record.station]
        self._count += 1
        end = clock.local(record.at)
        side = record.side[0].upper()
        result = "NG" if any(board.calls for board in record.boards) else "OK"
        designators = _designators(record.part, record.side)
        placed = len(designators)
        inspected = placed - len(record.uncovered)
        x, y = record.code_xy
        boards = [_BOARD]
        components = [_COMP]
        for board in record.boards:
            number = board.number
            if board.skipped:
                boards.append(f"BOARD,{number},SKIP,0,{placed},0")
                continue
            boards.append(
                f"BOARD,{number},{'NG' if board.calls else 'OK'},{inspected},{placed},{len(board.calls)}"
            )
            special = {
                call.designator: f"NG,{DEFECTS[call.defect]},{call.termination or ''}" for call in board.calls
            }
            special.update((designator, "OUT,,") for designator in record.uncovered)
            components += [f"COMP,{number},{name},{special.get(name, 'OK,,')}" for name in designators]
        head = (
            f"HEAD,{record.station},{record.program},{record.code or ''},{record.part},{side},{record.work_order},"
            f"{clock.local(record.started):%Y/%m/%d %H:%M:%S},{end:%Y/%m/%d %H:%M:%S},{result},{x:.2f},{y:.2f}"
        )
        name = f"{record.code or 'NOPANEL'}_{side}_{end:%Y%m%d%H%M%S}_{self._count:05d}.csv"
        data = "\n".join([_HEAD, head, *boards, *components]) + "\n"
        return Written(name, data.encode(), growing=False)

"""LOAD: one growing log, `marker.csv`.

UTF-8 with a byte order mark at the start of each file, lines end with CR LF, comma separated, one heading line.
Times are plant time (Europe/Lisbon), ISO form without zone, whole seconds.

  time, event, panel, part, rev, side (T or B), order, batch, magazine, slot (from the bottom, from 1), position, board

event  MARK  a code was engraved on a board: one line a board of a new panel, with position and board
       SKIP  the position is crossed out: nothing engraved, board empty
       LOAD  a panel came back for its other side: one line, position and board empty, panel empty if not read
This log alone links the code of a panel to the codes of its boards.
"""

from broker_bridge.simulate.model.records import Marked, Statement
from broker_bridge.simulate.writers.writer import Clocks, Written

_HEADER = "\ufefftime,event,panel,part,rev,side,order,batch,magazine,slot,position,board\r\n".encode()


class LoaderWriter:
    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, Marked)
        clock = clocks[record.station]
        time = f"{clock.local(record.at):%Y-%m-%dT%H:%M:%S}"
        panel = (
            f"{record.code or ''},{record.part},{record.revision},{record.side[0].upper()},"
            f"{record.work_order},{record.batch},{record.magazine},{record.slot}"
        )
        if record.boards:
            lines = [
                f"{time},{'SKIP' if board is None else 'MARK'},{panel},{position},{board or ''}"
                for position, board in record.boards
            ]
        else:
            lines = [f"{time},LOAD,{panel},,"]
        return Written("marker.csv", ("\r\n".join(lines) + "\r\n").encode(), growing=True, header=_HEADER)

"""TEST: one file an attempt, `<board>_<attempt>_<count>.ini`; the board is UNKNOWN if its code was not read.

ASCII, lines end with CR LF, blocks as in INI files. Times are plant time (Europe/Lisbon), month first and with twelve hours:
`mm/dd/yyyy hh:mm:ss AM`. Numbers with a decimal point.

  [TEST]       Serial (empty if not read), Part, Order, Fixture (fixture/nest), Attempt (from 1; counts the times this board was
               tested), Result (PASS, FAIL), Start, Stop, Measures (how many blocks follow)
  [MEASURE n]  Name, Unit, Low, Value, High, Result (at a limit is a pass)
"""

from broker_bridge.simulate.model.records import Statement, Tested
from broker_bridge.simulate.writers.writer import Clocks, Written


class ElectricalTestWriter:
    def __init__(self) -> None:
        self._count = 0

    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, Tested)
        clock = clocks[record.station]
        self._count += 1
        lines = [
            "[TEST]",
            f"Serial={record.code or ''}",
            f"Part={record.part}",
            f"Order={record.work_order}",
            f"Fixture={record.fixture}",
            f"Attempt={record.attempt}",
            f"Result={'PASS' if record.passed else 'FAIL'}",
            f"Start={clock.local(record.started):%m/%d/%Y %I:%M:%S %p}",
            f"Stop={clock.local(record.at):%m/%d/%Y %I:%M:%S %p}",
            f"Measures={len(record.measures)}",
        ]
        for number, measure in enumerate(record.measures, 1):
            inside = measure.low <= measure.value <= measure.high
            lines += [
                f"[MEASURE {number}]",
                f"Name={measure.name}",
                f"Unit={measure.unit}",
                f"Low={measure.low}",
                f"Value={measure.value}",
                f"High={measure.high}",
                f"Result={'PASS' if inside else 'FAIL'}",
            ]
        name = f"{record.code or 'UNKNOWN'}_{record.attempt}_{self._count:06d}.ini"
        return Written(name, ("\r\n".join(lines) + "\r\n").encode("ascii"), growing=False)

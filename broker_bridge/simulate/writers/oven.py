"""OVEN: one growing log a day, `oven_<yyyymmdd>.log`, a heading line, then a reading every 30 s of plant time.

ASCII, lines end with CR LF, fixed columns (numbered from 1). Time and day are UTC the whole year: the controller's clock is
not moved for summer time. Temperatures in degrees Celsius.

  columns 1-19 time `yyyy-mm-dd hh:mm:ss` · 21-36 program, left justified, blank before the first · 38 state, S stable or
  H heating or cooling · 40-45, 47-52 and so on to 89-94 eight zones, entry to exit · 96-100 belt cm/min · 102-106 oxygen ppm
The oven knows no panels: which were inside is known from when they came and went.
"""

from broker_bridge.simulate.model.records import OvenReading, Statement
from broker_bridge.simulate.writers.writer import Clocks, Written

_HEADER = (
    f"{'TIME':<19} {'PROGRAM':<16} S {' '.join(f'ZONE{n}'.rjust(6) for n in range(1, 9))} {'BELT':>5} {'O2':>5}\r\n"
).encode("ascii")


class OvenWriter:
    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, OvenReading)
        moment = clocks[record.station].utc(record.at)
        zones = " ".join(f"{zone:6.1f}" for zone in record.zones)
        line = (
            f"{moment:%Y-%m-%d %H:%M:%S} {record.program:<16} {'S' if record.stable else 'H'} {zones} "
            f"{record.speed:5.1f} {record.oxygen:5d}\r\n"
        )
        return Written(f"oven_{moment:%Y%m%d}.log", line.encode("ascii"), growing=True, header=_HEADER)

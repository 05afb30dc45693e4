"""SPI: one file a panel, `SPI_<panel>_<yyyymmdd-hhmmss>_<count>.txt`.

Encoding windows-1252, lines end with CR LF, fields are separated by semicolons, decimal comma.
Times are plant time (Europe/Lisbon, summer time included), `dd.mm.yyyy hh:mm:ss`, whole seconds.
Three blocks, separated by an empty line:

  header  one `Key;Value` a line: Machine, Recipe, Product, Side (T or B), Order, Panel (the code as read;
          NOREAD if not read), Start and End of the measurement, Foil_µm (stencil thickness), Low_% and High_%
          (limits in force, percent of aperture volume; at the limit is a pass), Mode (MEASURED, or SAMPLED OUT: the
          panel went through unmeasured and the file ends with the header), Result (PASS, FAIL or NONE), PadRows
          (ALL, or CALLED: only pads outside the limits have a row)
  boards  a heading, then `BOARD;Position;Result;Pads;Low;High;Mean_%;Min_%`; Result PASS, FAIL or SKIP (crossed out:
          the other fields are empty). Positions: see `positions`
  pads    a heading, then `PAD;Position;Designator;Pad;Volume_%;Height_µm;Area_%;OffsetX_µm;OffsetY_µm;Result`;
          Pad is the termination, Result PASS, LOW or HIGH
"""

from broker_bridge.simulate.model.records import PasteInspected, Statement
from broker_bridge.simulate.products import STENCIL_MM
from broker_bridge.simulate.writers.writer import Clocks, Written

_FOIL_UM = STENCIL_MM * 1000
_BOARD_HEADING = "BOARD;Position;Result;Pads;Low;High;Mean_%;Min_%"
_PAD_HEADING = "PAD;Position;Designator;Pad;Volume_%;Height_µm;Area_%;OffsetX_µm;OffsetY_µm;Result"


class SpiWriter:
    def __init__(self) -> None:
        self._count = 0

    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, PasteInspected)
        clock = clocks[record.station]
        self._count += 1
        end = clock.local(record.at)
        failed = any(board.low or board.high for board in record.boards)
        lines = [
            f"Machine;{record.station}",
            f"Recipe;{record.program}",
            f"Product;{record.part}",
            f"Side;{record.side[0].upper()}",
            f"Order;{record.work_order}",
            f"Panel;{record.code or 'NOREAD'}",
            f"Start;{clock.local(record.started):%d.%m.%Y %H:%M:%S}",
            f"End;{end:%d.%m.%Y %H:%M:%S}",
            f"Foil_µm;{_FOIL_UM:.0f}",
            f"Low_%;{record.low_limit:.1f}".replace(".", ","),
            f"High_%;{record.high_limit:.1f}".replace(".", ","),
            f"Mode;{'SAMPLED OUT' if record.sampled_out else 'MEASURED'}",
            f"Result;{'NONE' if record.sampled_out else 'FAIL' if failed else 'PASS'}",
            f"PadRows;{'ALL' if record.every_pad else 'CALLED'}",
        ]
        if not record.sampled_out:
            lines += ["", _BOARD_HEADING]
            lines += [
                f"BOARD;{b.number};SKIP;;;;;"
                if b.skipped
                else f"BOARD;{b.number};{'FAIL' if b.low or b.high else 'PASS'};{b.count};{b.low};{b.high};"
                + f"{b.mean:.1f};{b.least:.1f}".replace(".", ",")
                for b in record.boards
            ]
            lines += ["", _PAD_HEADING]
            lines += [
                f"PAD;{b.number};{designator};{termination};"
                + f"{volume:.1f};{volume / area * _FOIL_UM:.1f};{area:.1f};{x:.1f};{y:.1f};".replace(".", ",")
                + verdict
                for b in record.boards
                for designator, termination, volume, area, x, y, verdict in b.pads
            ]
        name = f"SPI_{record.code or 'NOREAD'}_{end:%Y%m%d-%H%M%S}_{self._count:05d}.txt"
        return Written(name, ("\r\n".join(lines) + "\r\n").encode("cp1252"), growing=False)

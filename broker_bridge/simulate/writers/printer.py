"""PRINT: one growing log, `printer.log`, no heading.

ASCII, lines end with LF, each a list of `key=value` separated by blanks; a value with a blank is in double quotes.
`ms` is milliseconds since 1970-01-01 UTC at the end of what the line tells. `ev`:

  PRINT    panel (- if not read), prog, stencil, n (prints since the stencil was mounted), stroke (F forward, R reverse),
           jar (the paste jar opened last), dur_ms
  PROGRAM  prog, stencil: a program was loaded and its stencil mounted, clean
  JAR      jar, lot: paste from this jar was put on the stencil; what was there before stays there
  WIPE     stencil, mode: the underside was wiped
  WASH     stencil, count: the stencil was taken out and washed after `count` prints
  STOP     seconds, reason: the machine stood still
"""

from broker_bridge.simulate.model.records import Printed, PrinterEvent, Statement
from broker_bridge.simulate.writers.writer import Clocks, Written


class PrinterWriter:
    def write(self, record: Statement, clocks: Clocks) -> Written:
        clock = clocks[record.station]
        end = int(clock.utc(record.at).timestamp() * 1000)
        if isinstance(record, Printed):
            duration = end - int(clock.utc(record.started).timestamp() * 1000)
            fields = (
                f"ev=PRINT panel={record.code or '-'} prog={record.program} stencil={record.stencil}"
                f" n={record.count} stroke={record.stroke} jar={record.jar} dur_ms={duration}"
            )
        else:
            assert isinstance(record, PrinterEvent)
            fields = " ".join([f"ev={record.name}", *(f"{k}={_quoted(v)}" for k, v in record.fields.items())])
        return Written("printer.log", f"ms={end} {fields}\n".encode("ascii"), growing=True)


def _quoted(value: str) -> str:
    return f'"{value}"' if " " in value else value

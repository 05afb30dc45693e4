"""REVIEW: one file a panel judged, `RV_<count>_<panel>.txt`, and one a panel or board repaired, `RW_<count>_<panel>.txt`.

UTF-8, lines end with LF, fields are separated by `|`. Times are plant time (Europe/Lisbon) in ISO form without zone, whole
seconds. A code that was not read is empty. The first field says what the line is:

  REVIEW  panel, program, operator (pseudonym), end of the inspection judged (copied from AOI: its clock), start, end
  V       position (plant numbering, translated from AOI's), designator, pin (- for the body), AOI's defect code, verdict
          (Y defect, N false call), the defect as the person names it (empty for N)
  REWORK  panel, or the board's serial when a board is repaired alone, operator, start, end
  R       position (0: a board alone), designator, defect, action (resolder, replace), item, lot, bag (empty if no part)

The file is written when the person is done: minutes or hours after the inspection.
"""

from broker_bridge.simulate.model.records import Reviewed, Reworked, Statement
from broker_bridge.simulate.writers.aoi import DEFECTS
from broker_bridge.simulate.writers.writer import Clocks, Written


class ReviewWriter:
    def __init__(self) -> None:
        self._count = 0

    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, Reviewed | Reworked)
        clock = clocks[record.station]
        self._count += 1
        code = record.code or ""
        span = f"{clock.local(record.started):%Y-%m-%dT%H:%M:%S}|{clock.local(record.at):%Y-%m-%dT%H:%M:%S}"
        if isinstance(record, Reviewed):
            kind = "RV"
            inspected = clocks["AOI"].local(record.inspected)
            lines = [
                f"REVIEW|{code}|{record.program}|{record.operator}|{inspected:%Y-%m-%dT%H:%M:%S}|{span}",
                *(
                    f"V|{position}|{call.designator}|{call.termination or '-'}|{DEFECTS[call.defect]}|"
                    f"{'Y' if real else 'N'}|{named}"
                    for position, call, real, named in record.verdicts
                ),
            ]
        else:
            kind = "RW"
            lines = [
                f"REWORK|{code}|{record.operator}|{span}",
                *("R|" + "|".join(str(field) for field in action) for action in record.actions),
            ]
        name = f"{kind}_{self._count:05d}_{code or 'UNKNOWN'}.txt"
        return Written(name, ("\n".join(lines) + "\n").encode(), growing=False)

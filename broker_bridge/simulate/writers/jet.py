"""JET: one XML file a panel, `topup-<yyyymmddThhmmss>-<count>.xml`, UTF-8.

`<topup machine program panel started ended>`; `panel` is the code as it was passed on, absent if none was. Times are plant
time with its offset from UTC. One `<shot board pad designator dots/>` for each pad topped up: `board` is the position
(column by column, see `positions`), `pad` the termination, `dots` of 4 nl each. No shots: nothing was to do.
"""

from xml.sax.saxutils import quoteattr

from broker_bridge.simulate.model.records import Statement, ToppedUp
from broker_bridge.simulate.writers.writer import Clocks, Written


class JetWriter:
    def __init__(self) -> None:
        self._count = 0

    def write(self, record: Statement, clocks: Clocks) -> Written:
        assert isinstance(record, ToppedUp)
        clock = clocks[record.station]
        self._count += 1
        end = clock.local(record.at)
        panel = f" panel={quoteattr(record.code)}" if record.code is not None else ""
        started = clock.local(record.started).isoformat(timespec="milliseconds")
        lines = [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f"<topup machine={quoteattr(record.station)} program={quoteattr(record.program)}{panel}"
            f' started="{started}" ended="{end.isoformat(timespec="milliseconds")}">',
            *(
                f'  <shot board="{board}" pad="{pad}" designator={quoteattr(designator)} dots="{dots}"/>'
                for board, designator, pad, dots in record.shots
            ),
            "</topup>",
        ]
        name = f"topup-{end:%Y%m%dT%H%M%S}-{self._count:05d}.xml"
        return Written(name, ("\n".join(lines) + "\n").encode(), growing=False)

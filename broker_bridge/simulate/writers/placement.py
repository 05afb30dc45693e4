"""PLACE1, PLACE2: one growing log each, `placement.jsonl`: one JSON object a line, UTF-8, no heading.

Times RFC 3339 in UTC with milliseconds. `rec` says what the object is:

  panel    panel (null if not known), start, end, program, boards [{pos, placed, skipped}], feeds [{slot, item, reel, lot,
           qty, rejects}]: what each slot fed, in order; two entries for one slot when the reel changed during the panel. Which
           board got which is not said. Reel and lot are null where the set-up was not scanned
  program  time, program, feeders [{slot, item, nozzle, designators}]: a program was loaded
  reel     time, event (set_up, removed, spliced, low), slot, item, reel, lot, left (parts; null if unknown), verified. `spliced` is
           the time of the scan: the new reel's first part comes when the old one is used up
  stop     start, end, reason

Positions: see `positions`. PLACE2 has no code reader: it knows what was passed on.
"""

import json
from datetime import datetime

from broker_bridge.simulate.model.records import (
    Placed,
    PlacementProgram,
    PlacementStop,
    ReelEvent,
    Statement,
)
from broker_bridge.simulate.writers.writer import Clocks, Written


class PlacementWriter:
    def write(self, record: Statement, clocks: Clocks) -> Written:
        clock = clocks[record.station]
        at = _stamp(clock.utc(record.at))
        line: dict[str, object]
        match record:
            case Placed():
                line = {
                    "rec": "panel",
                    "panel": record.code,
                    "start": _stamp(clock.utc(record.started)),
                    "end": at,
                    "program": record.program,
                    "boards": [{"pos": p, "placed": n, "skipped": s} for p, n, s in record.boards],
                    "feeds": [
                        {"slot": slot, "item": item, "reel": reel, "lot": lot, "qty": n, "rejects": bad}
                        for slot, item, reel, lot, n, bad in record.feeds
                    ],
                }
            case PlacementProgram():
                line = {
                    "rec": "program",
                    "time": at,
                    "program": record.program,
                    "feeders": [
                        {"slot": slot, "item": item, "nozzle": nozzle, "designators": names}
                        for slot, item, nozzle, names in record.feeders
                    ],
                }
            case ReelEvent():
                line = {
                    "rec": "reel",
                    "time": at,
                    "event": record.name,
                    "slot": record.slot,
                    "item": record.item,
                    "reel": record.reel,
                    "lot": record.lot,
                    "left": record.quantity,
                    "verified": record.verified,
                }
            case PlacementStop():
                start = _stamp(clock.utc(record.started))
                line = {"rec": "stop", "start": start, "end": at, "reason": record.reason}
            case _:
                raise AssertionError(record)
        return Written("placement.jsonl", json.dumps(line).encode() + b"\n", growing=True)


def _stamp(moment: datetime) -> str:
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"

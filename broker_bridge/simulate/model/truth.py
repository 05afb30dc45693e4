"""What really happened, one JSON object a line, from the model's state alone.

kind         fields after `kind`; times RFC 3339 in UTC, positions in plant numbering
board        board, identifiers [{kind, value}], panel, position, side (which sides carry the code), part, work_order,
             purpose (production, skipped, reference). A board gets a new line for every identifier added: last wins
visit        board, station, place, lane, side, pass, arrived, departed, outcome; at TEST also attempt and fixture
call         board, station, side, pass, at, designator, termination (0: the body), defect, real
review       as call, and verdict: what the person said (defect or false_call); `real` stays the fact
material     board, station, side, at, designators, item, lot, reel, slot; paste has no designators, its reel is the jar
disposition  board, station, at, disposition (scrap)
fault        what, where, when, panel, and what else tells it apart

`board` is the serial engraved on it; a crossed-out board has a serial here that was never engraved.
Outcomes: processed; passed, failed (inspection, test); bypassed, not_inspected; reviewed, reworked; skipped (crossed out).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

_TIMES = frozenset({"arrived", "departed", "at", "when", "until"})


@dataclass(frozen=True, slots=True)
class Truth:
    """One fact about each of `boards` (none: about the line). Times in `fields` are seconds of plant time."""

    at: float
    kind: str
    boards: tuple[str, ...]
    fields: Mapping[str, object]

    def lines(self, origin: datetime, speed: float = 1.0) -> list[str]:
        """The lines of truth.jsonl, without line ends. `origin` is plant time 0, `speed` the compression."""
        body = json.dumps(
            {
                key: stamp(origin, float(value), speed)
                if key in _TIMES and isinstance(value, float)
                else value
                for key, value in self.fields.items()
            }
        )
        if not self.boards:
            return [f'{{"kind": "{self.kind}", {body[1:]}']
        return [f'{{"kind": "{self.kind}", "board": "{board}", {body[1:]}' for board in self.boards]


def stamp(origin: datetime, seconds: float, speed: float = 1.0) -> str:
    """RFC 3339 in UTC with milliseconds."""
    moment = origin + timedelta(seconds=seconds / speed)
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"

"""What a machine says, before any dialect: one class a record, as the machine believes it.

`at` is when the machine writes or sends it; `started` when the work began; both in seconds of plant time.
Codes are as the machine read them: None is "not read". Position numbers are the machine's own (see
`positions`). What is true stands in `truth`, never here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

TRANSFERRED, LOADED, INSERTED = 1, 2, 3
UNLOADED, REMOVED = 2, 3
"""How a board came (1 to 3) and went (1, 2, 3), as IPC-HERMES-9852 numbers it."""

UNKNOWN, GOOD, FAILED, MISSING, SKIP = 0, 1, 2, 3, 4
"""State of a board; the last two only inside a panel."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """A panel (at TEST: a board) came or went. `code` is what was passed on or read, "" when nobody knows."""

    station: str
    at: float
    arrived: bool
    how: int
    transfer_id: str
    created_by: str
    failed: int
    part: str
    side: str
    code: str
    work_order: str
    batch: str
    size_mm: tuple[float, float]
    sub_boards: tuple[tuple[int, str, int], ...]  # (position, code or "", state)
    magazine: str
    slot: int


@dataclass(frozen=True, slots=True)
class Marked:
    """LOAD: a panel was loaded; on its first pass it was engraved. `boards`: (position, code or None if crossed out)."""

    station: str
    at: float
    code: str | None
    part: str
    revision: str
    side: str
    work_order: str
    batch: str
    magazine: str
    slot: int
    boards: tuple[tuple[int, str | None], ...]  # empty on the second side: nothing is engraved


@dataclass(frozen=True, slots=True)
class Printed:
    """PRINT: one print."""

    station: str
    at: float
    started: float
    code: str | None
    program: str
    stencil: str
    count: int  # prints of this stencil since it was mounted
    stroke: str  # squeegee direction
    jar: str


@dataclass(frozen=True, slots=True)
class PrinterEvent:
    """PRINT: anything but a print. `name`: PROGRAM, JAR, WIPE, WASH, STOP."""

    station: str
    at: float
    name: str
    fields: Mapping[str, str]


class PasteReading(NamedTuple):
    """One pad: volume and area in percent of the aperture, offsets in micrometres, `verdict` PASS, LOW or HIGH."""

    designator: str
    termination: int
    volume: float
    area: float
    offset_x: float
    offset_y: float
    verdict: str


@dataclass(frozen=True, slots=True)
class PasteBoard:
    """One board of a paste inspection. `mean` and `least` volume in percent; `pads` are those written row by row."""

    number: int
    skipped: bool
    count: int
    low: int
    high: int
    mean: float
    least: float
    pads: tuple[PasteReading, ...]


@dataclass(frozen=True, slots=True)
class PasteInspected:
    """SPI: one panel. `boards` is empty when the panel was let through unmeasured."""

    station: str
    at: float
    started: float
    code: str | None
    part: str
    side: str
    program: str
    work_order: str
    low_limit: float
    high_limit: float
    sampled_out: bool
    every_pad: bool  # False: only called pads have a row
    boards: tuple[PasteBoard, ...]


@dataclass(frozen=True, slots=True)
class ToppedUp:
    """JET: one panel. `shots`: (position, designator, termination, dots); empty when nothing was to do."""

    station: str
    at: float
    started: float
    code: str | None
    program: str
    shots: tuple[tuple[int, str, int, int], ...]


@dataclass(frozen=True, slots=True)
class PlacementProgram:
    """PLACE: a program was loaded. `feeders`: (slot, item, nozzle, designators)."""

    station: str
    at: float
    program: str
    feeders: tuple[tuple[int, str, str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class ReelEvent:
    """PLACE: `name` is set_up, removed, spliced or low. Reel and lot are None where nobody scanned."""

    station: str
    at: float
    name: str
    slot: int
    item: str
    reel: str | None
    lot: str | None
    quantity: int | None
    verified: bool


@dataclass(frozen=True, slots=True)
class Placed:
    """PLACE: one panel. `boards`: (position, placed, skipped); `feeds`: (slot, item, reel, lot, quantity, rejects)."""

    station: str
    at: float
    started: float
    code: str | None
    program: str
    boards: tuple[tuple[int, int, bool], ...]
    feeds: tuple[tuple[int, str, str | None, str | None, int, int], ...]


@dataclass(frozen=True, slots=True)
class PlacementStop:
    """PLACE: the machine stood still for `seconds` up to `at`."""

    station: str
    at: float
    started: float
    reason: str


@dataclass(frozen=True, slots=True)
class OvenReading:
    """OVEN: temperatures of the zones in degrees Celsius, belt speed in cm/min, oxygen in ppm."""

    station: str
    at: float
    program: str
    stable: bool
    zones: tuple[float, ...]
    speed: float
    oxygen: int


@dataclass(frozen=True, slots=True)
class Call:
    """A finding of an inspection machine at one component; `termination` 0 is the body."""

    designator: str
    termination: int
    defect: str


@dataclass(frozen=True, slots=True)
class InspectedBoard:
    number: int
    skipped: bool
    calls: tuple[Call, ...]


@dataclass(frozen=True, slots=True)
class Inspected:
    """AOI: one panel. `uncovered`: designators of the side that the program leaves out. `code_xy` in mm."""

    station: str
    at: float
    started: float
    code: str | None
    part: str
    side: str
    program: str
    work_order: str
    uncovered: frozenset[str]
    code_xy: tuple[float, float]
    boards: tuple[InspectedBoard, ...]


@dataclass(frozen=True, slots=True)
class Reviewed:
    """REVIEW: a person judged every call of one inspection. `verdicts`: (position, call, real, defect as judged)."""

    station: str
    at: float
    started: float
    code: str | None
    program: str
    operator: str
    inspected: float  # end of the inspection judged, on the clock of AOI
    verdicts: tuple[tuple[int, Call, bool, str], ...]


@dataclass(frozen=True, slots=True)
class Reworked:
    """REVIEW: a person repaired. `actions`: (position, designator, defect, action, item, lot, reel); last three "" if no part."""

    station: str
    at: float
    started: float
    code: str | None
    operator: str
    actions: tuple[tuple[int, str, str, str, str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Measure:
    name: str
    unit: str
    low: float
    value: float
    high: float


@dataclass(frozen=True, slots=True)
class Tested:
    """TEST: one attempt on one board."""

    station: str
    at: float
    started: float
    code: str | None
    part: str
    work_order: str
    fixture: str
    attempt: int
    passed: bool
    measures: tuple[Measure, ...]


Statement: TypeAlias = (
    Marked
    | Printed
    | PrinterEvent
    | PasteInspected
    | ToppedUp
    | PlacementProgram
    | ReelEvent
    | Placed
    | PlacementStop
    | OvenReading
    | Inspected
    | Reviewed
    | Reworked
    | Tested
)
"""What goes into files."""

Record: TypeAlias = Statement | Transfer


class Utterance(NamedTuple):
    """A record as it leaves the machine. `panel` is the panel it is really about, for the truth only."""

    record: Record
    panel: str | None

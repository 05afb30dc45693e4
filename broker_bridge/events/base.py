"""The scalars and parts that several event families share.

Absent means "not stated by the source", never a default: a machine that says nothing about the lane did not
say lane 1. Writers refuse unknown fields, readers ignore them (schemas/CHANGES.md).
"""

import re
from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
)  # fmt: skip

_DATE_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d+)?(?:[Zz]|[+-]\d\d:\d\d)", re.ASCII)


def instant(value: object) -> datetime:
    """An instant in UTC, by one call: events hold two and more, and every call out of the parser is felt.

    Left to itself the parser takes numbers for seconds since 1970, and texts that RFC 3339 does not allow.
    """
    if isinstance(value, str) and _DATE_TIME.fullmatch(value):
        time = datetime.fromisoformat(value if value.endswith("Z") else value.upper())
    elif isinstance(value, datetime):
        time = value
    else:
        raise ValueError(
            "is no instant: expected RFC 3339 (section 5.6), for instance 2026-03-02T08:15:30.5Z"
        )
    if time.tzinfo is UTC:
        return time
    if time.utcoffset() is None:
        raise ValueError("has no timezone")
    try:
        return time.astimezone(UTC)
    except OverflowError:
        raise ValueError("in UTC it lies outside the years 1 to 9999") from None


def storable(value: str) -> str:
    """The text; ValueError where it holds a NUL."""
    if "\x00" in value:
        raise ValueError("holds a NUL character; a share that is still being written shows such bytes")
    return value


Time = Annotated[datetime, BeforeValidator(instant)]
"""An instant, RFC 3339 on the wire, always UTC after reading, whole microseconds. The second 60 of a leap
second is refused: no datetime can hold it."""

Text = Annotated[str, StringConstraints(min_length=1, max_length=512), AfterValidator(storable)]
"""A short text as the source wrote it."""

LongText = Annotated[str, StringConstraints(max_length=8192), AfterValidator(storable)]
"""Free text as the source wrote it."""

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")]
"""A name the plant gives: site, area, line, station, adapter. Fit for a topic level and a file name."""

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,62}$")]
"""A word of an open vocabulary."""

Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
"""SHA-256, lower-case hexadecimal."""

Count = Annotated[int, Field(ge=0, lt=2**53)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Lane = Annotated[int, Field(ge=1, le=99)]
"""Counted as IPC-HERMES-9852 counts: looking downstream, from right to left, beginning with 1."""

Side = Literal["top", "bottom"]
How = Literal["read", "passed_on", "typed", "assumed"]
PositionState = Literal["good", "failed", "missing", "skipped", "unknown"]
Purpose = Literal[
    "production", "reference", "dummy", "profile", "coupon", "gauge_study", "engineering", "first_article"
]


class Model(BaseModel):
    """Base of every part of an event: frozen, and strict about what a writer puts in."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class Identifier(Model):
    """One identifier of a board, panel, assembly or carrier."""

    kind: Slug
    """What it identifies and by which scheme. Well known: `board` (serial of one board), `panel`, `assembly`,
    `transfer` (BoardId of IPC-HERMES-9852), `carrier`, `magazine`, `customer_serial`, `network_address`."""
    value: Text
    """The identifier, letter for letter; always text, also when it is all digits."""
    how: How
    """How the source obtained it: read by a scanner, passed on by a neighbour, typed by a person, assumed."""
    side: Side | None = None
    """The side of the board that carries it, where it is a label or mark on one side."""
    issuer: Text | None = None
    """Who made it up, where stated (BoardIdCreatedBy of IPC-HERMES-9852)."""


class Characteristic(Model):
    """Something put into one board that tells it apart without naming it: firmware version, checksum."""

    name: Text
    value: Text


class Board(Model):
    """The board, panel or assembly a statement is about, as far as the source knows it."""

    unit: Literal["board", "panel", "assembly", "unknown"] = "unknown"
    """What kind of thing the identifiers name."""
    identifiers: tuple[Identifier, ...] = ()
    """All identifiers the source gave for this one thing. Two or more of them link each other."""
    panel: Identifier | None = None
    """The panel this board is, or was, part of."""
    position: Annotated[int, Field(ge=1, le=9999)] | None = None
    """Place in the panel in the plant's numbering, from 1."""
    machine_position: Text | None = None
    """Place as the machine numbers it, where no table to the plant's numbering is known: never joined."""
    state: PositionState | None = None
    """State of the position as this source sees it."""
    side_up: Side | None = None
    """The side that faced up on the conveyor."""
    nest: Text | None = None
    """Nest of the fixture, pallet or carrier it lay in, where several lie side by side."""
    characteristics: tuple[Characteristic, ...] = ()


class Part(Model):
    """The kind of a board or component: part number and revision, never a serial."""

    number: Text
    revision: Text | None = None


class Program(Model):
    """A machine's program or recipe. Without revision or hash the revision is not stated."""

    name: Text
    revision: Text | None = None
    hash: Text | None = None


class Raw(Model):
    """Where the raw bytes of the record are and how to prove them."""

    hash: Hash
    """SHA-256 of the raw record's bytes as read (decompressed)."""
    size: Count
    """Length in bytes."""
    inline: LongText | None = None
    """Base64 of the bytes when they are at most 4,096 bytes long and nothing else keeps them."""
    archived: Hash | None = None
    """Hash of the whole file in the edge's raw archive that holds this record."""
    offset: Count | None = None
    """Offset of the record in that file, in bytes."""
    line: Annotated[int, Field(ge=1)] | None = None
    """Line of that file where the record starts, from 1."""


class Companion(Model):
    """A file beside the raw record that told a part of the statement: a table of reels by slot and time."""

    name: Slug
    """What the mapping calls it."""
    hash: Hash
    """SHA-256 of its whole content (decompressed), which is its name in the edge's raw archive."""


class Origin(Model):
    """How this statement came to be: needed to judge it, never part of what happened."""

    adapter: Name
    raw: Raw | None = None
    """Absent for statements of the bridge itself (connected, gap ...)."""
    events: Annotated[int, Field(ge=1, le=999_999)] = 1
    """How many events this raw record gives at this revision: the set is complete when all are there."""
    time_text: Text | None = None
    """The time as the source wrote it."""
    time_means: Literal["start", "end", "saved", "reviewed", "sent", "taken_in"] | None = None
    """What that time is the time of. `taken_in`: the source stated none, or (with `time_text`) one that is not believed;
    the adapter's clock stands in."""
    zone: Text | None = None
    """Time zone (IANA name or UTC offset) in which the time text was read."""
    zone_basis: Literal["stated", "configured", "assumed"] | None = None
    flags: tuple[Slug, ...] = ()
    """What is doubtful about the raw record: ambiguous_time, unterminated, clock_suspect ..."""
    companions: tuple[Companion, ...] | None = None
    """The files beside it that were looked into. The same raw record with other ones is a conflict, never a silent
    change."""


class Data(Model):
    """What every event may say about place and object. Each type adds its own fields."""

    TYPE: ClassVar[str] = ""
    STATUS: ClassVar[Literal["final", "draft"]] = "draft"

    station: Name | None = None
    """The place in the line. Absent: the source does not know it; see `candidates`."""
    candidates: tuple[Name, ...] = ()
    """The stations it may be, where the source serves several and does not say which."""
    equipment: Text | None = None
    """The machine that stood at the station: its serial or inventory number."""
    stage: Text | None = None
    """The module, stage or zone of the machine, as the source calls it."""
    lane: Lane | None = None
    side: Side | None = None
    """The side of the board being worked on."""
    boards: tuple[Board, ...] = ()
    """The boards it is about; several where one act met several. Empty: not known, or about none."""
    part: Part | None = None
    """Part number of the board or panel."""
    order: Text | None = None
    """Work order."""
    order_batch: Text | None = None
    """The part of a split work order (BatchId of IPC-HERMES-9852)."""
    purpose: Purpose | None = None
    """Why the board exists. Absent: not stated, taken as production by the part's declaration only."""
    transaction: Text | None = None
    """The source's own key that ties its statements about one pass of a board."""
    operator: Text | None = None
    """Pseudonym of the person at the machine; a name never enters an event."""
    origin: Origin


class Attachment(Model):
    """A picture or file that stays where it is: reference and proof."""

    href: Text
    hash: Hash | None = None
    media_type: Text | None = None


class Place(Model):
    """A spot on a board."""

    designator: Text | None = None
    """Reference designator of the component."""
    termination: Text | None = None
    """Lead, ball or end cap of the component, as numbered by the source."""
    pad: Text | None = None
    """Pad (land) by the source's own number."""
    part: Text | None = None
    """Part number the source states for the component there."""
    x_mm: Finite | None = None
    """In the source's own coordinates, as is `y_mm`."""
    y_mm: Finite | None = None


class Measurement(Model):
    """One measured value with the limits in force when it was judged."""

    name: Text
    value: Finite | None = None
    text: Text | None = None
    """The value where it is no number."""
    expected: Text | None = None
    """What `text` had to be."""
    unit: Text | None = None
    """Unit of value and limits (UCUM spelling where one exists: mm, um, ms, Cel, %)."""
    lower: Finite | None = None
    upper: Finite | None = None
    nominal: Finite | None = None
    """Target or set point."""
    outcome: Literal["passed", "failed", "unknown"] | None = None
    place: Place | None = None
    """Where on the board it was measured, unless the statement as a whole says so."""


class Material(Model):
    """A reel, tray, stick, jar, cartridge or loose part, and what it holds."""

    id: Text | None = None
    """The plant's own id of this reel or container."""
    part: Text | None = None
    """The plant's part number."""
    maker: Text | None = None
    maker_part: Text | None = None
    """The maker's part number."""
    lots: tuple[Text, ...] = ()
    """The maker's lots in it: one reel may hold several."""
    date_code: Text | None = None
    supplier: Text | None = None
    receipt: Text | None = None
    """Goods receipt."""
    parent: Text | None = None
    """Id of the reel or container it was split from."""
    container: Literal["reel", "tray", "stick", "loose", "jar", "cartridge", "other"] | None = None
    quantity: Finite | None = None
    """What is left in it, in `unit` (absent: pieces)."""
    unit: Text | None = None
    expires: Time | None = None


class Feeding(Model):
    """Where a machine takes parts from."""

    slot: Text | None = None
    subslot: Text | None = None
    feeder: Text | None = None
    """Serial of the feeder."""
    nozzle: Text | None = None
    head: Text | None = None


class Tool(Model):
    """A tool that touched the boards and wears or goes wrong: a possible cause shared by many boards."""

    kind: Slug
    """stencil, squeegee, nozzle, fixture, pallet, blade, iron ..."""
    id: Text
    """Its serial or inventory number."""


Outcome = Literal["passed", "failed", "aborted", "skipped", "bypassed", "not_inspected", "unknown"]
"""The result of an inspection or a test. Only `passed` is a pass."""


class Coverage(Model):
    """What an inspection or test looked at: no row is not a pass."""

    inspected: Count | None = None
    total: Count | None = None
    of: Literal["components", "terminations", "pads", "steps"] | None = None
    left_out: tuple[Text, ...] = ()
    """Designators which the program leaves out, as far as stated."""
    sampling: Text | None = None
    """The sampling plan by which boards are looked at or passed over, in the source's words."""

"""The mapping file's language as a typed model: what an integrator may write, and nothing else.

The parts: `[reader]` (how bytes become records of kinds), `[file]` (what the file's name tells), `[group]` (which
records belong together), `[fields.<kind>]` (columns -> typed values), `[tables]` (values -> words of the schema),
`[companion.<name>]` (tables beside the logs), `[derived.<kind>]` (values computed or looked up), `[[positions]]` (the machine's order of panel positions -> the
plant's), `[[check]]` (numbers the source states about itself), `[[event]]` (what is stated).
"""

import datetime as dt
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, field_validator, model_validator

from broker_bridge.adapters.logs.mapping.derived import Derived
from broker_bridge.adapters.logs.mapping.fields import FieldName, FieldRule, Pattern, Section, Zone
from broker_bridge.adapters.logs.protocol.patterns import AnyPattern
from broker_bridge.adapters.logs.protocol.readers import AnyReader
from broker_bridge.events.base import Finite, Side, Slug, Text
from broker_bridge.events.union import DATA_TYPES


class FileName(Section):
    """What the file's name tells."""

    pattern: Pattern
    """Pattern of whole file names; its named groups are the columns of `[fields.file]`."""
    sequence: FieldName | None = None
    """The field of `[fields.file]` by which the machine counts its files: a number that never comes is a gap."""


class Validity(Section):
    """When records may have been written that this mapping understands."""

    since: dt.date | None = None
    until: dt.date | None = None
    """First day on which it no longer holds."""


class Group(Section):
    """Which records belong together, so that several of them can give one event."""

    per: Literal["row", "file", "block", "key"] = "row"
    """`row`: every record for itself. `file`: all of a file. `block`: a new group at each record of kind `begins`.
    `key`: records whose `by` fields are equal, wherever they stand in the file."""
    begins: Slug | None = None
    by: tuple[FieldName, ...] = ()
    holds: tuple[Slug, ...] = ()
    """Kinds of record that hold for what follows them, as a header block does."""
    bad_rows: Literal["reject", "flag"] = "reject"
    """What one unusable record does to its group: the group is rejected as a whole, or its events are flagged
    `incomplete` and only the record is rejected."""
    silent: Literal["reject", "allow"] = "reject"
    """What becomes of a group for which no rule gives an event: a file that stops behind its header is one."""
    max_rows: Annotated[int, Field(ge=1, le=5_000_000)] = 500_000
    """Records held in memory at most (about 1 kB each); a group beyond this is rejected."""

    @model_validator(mode="after")
    def _keys_fit(self) -> "Group":
        if (self.per == "block") != (self.begins is not None):
            raise ValueError('`begins` goes with per = "block" and only with it')
        if (self.per == "key") != bool(self.by):
            raise ValueError('`by` goes with per = "key" and only with it')
        return self


class Table(Section):
    """Words of the machine -> words of the schema or of the plant."""

    values: dict[str, str]
    """An empty word means: no value."""
    otherwise: Literal["reject", "unknown", "keep"]
    """What a word that is not listed becomes: its record is rejected, the word `unknown`, or the word itself."""
    case: Literal["exact", "ignore"] = "exact"


class Positions(Section):
    """The machine's numbers of panel positions -> the plant's, for one part and side."""

    part: Text | None = None
    """Absent: any part."""
    side: Side | None = None
    """Absent: both sides."""
    order: dict[str, Annotated[int, Field(ge=1, le=9999)]]
    """Machine's number -> plant's position."""

    @model_validator(mode="after")
    def _one_to_one(self) -> "Positions":
        if len(set(self.order.values())) != len(self.order):
            raise ValueError("two of the machine's numbers lead to the same position")
        return self


Filter = dict[FieldName, tuple[str | bool | int | float, ...]]


class Selection(Section):
    """Which records of the group a list, a count or a block speaks of."""

    same: tuple[FieldName, ...] = ()
    """Only records whose fields of these names equal those of the record the event is about."""
    inside: bool = False
    """Only records that lie inside the record the event is about (nested documents)."""
    when: Filter = {}
    """Only records whose field has one of these values."""
    unless: Filter = {}
    """Only records whose field has none of these values."""
    present: tuple[FieldName, ...] = ()
    """Only records that have these fields."""


class ListRule(Selection):
    """A list with one item a record: `{ each = "component", same = ["position"], item = { ... } }`."""

    each: Slug
    item: dict[str, Any] | str


class CountRule(Selection):
    """How many records there are: `{ count = "pad", same = ["position"] }`."""

    count: Slug
    distinct: tuple[FieldName, ...] = ()
    """Records that agree in these fields count once."""


class FirstRule(Section):
    """The first of several values that is present."""

    first: Annotated[tuple[str, ...], Field(min_length=1)]


class JoinRule(Section):
    """Several texts as one; absent when one of them is."""

    join: Annotated[tuple[str, ...], Field(min_length=1)]
    sign: str = "-"
    """What is put between them."""


class ItemsRule(Section):
    """A list with one item for each item of a list field: `{ items = "$places", item = { designator = "$item" } }`."""

    items: str
    """A field with `list`; inside, its item is `$item`."""
    item: dict[str, Any] | str


class CountCase(Selection):
    """So many records there are."""

    count: Slug
    distinct: tuple[FieldName, ...] = ()
    at_least: Annotated[int, Field(ge=0)] | None = None
    at_most: Annotated[int, Field(ge=0)] | None = None
    gives: Any

    @model_validator(mode="after")
    def _bounds_are_there(self) -> "CountCase":
        return _bounded(self)


class NumberCase(Section):
    """So large a number is. An absent one fits no case."""

    field: str
    at_least: Finite | None = None
    at_most: Finite | None = None
    gives: Any

    @model_validator(mode="after")
    def _bounds_are_there(self) -> "NumberCase":
        return _bounded(self)


C = TypeVar("C", CountCase, NumberCase)


def _bounded(case: C) -> C:
    if case.at_least is None and case.at_most is None:
        raise ValueError("state `at_least`, `at_most` or both")
    if case.at_least is not None and case.at_most is not None and case.at_least > case.at_most:
        raise ValueError("`at_least` is above `at_most`")
    return case


class CasesRule(Section):
    """A value that several records decide, or a number: the first case that fits gives it.

    `{ cases = [{ count = "call", when = { verdict = ["confirmed"] }, at_least = 1, gives = "failed" }, ...],
    otherwise = "unknown" }`. No record is no pass: what it is has to be written down.
    """

    cases: Annotated[tuple[CountCase | NumberCase, ...], Field(min_length=1)]
    otherwise: Any
    """What it is where no case fits: a value, or `reject`, which rejects the record."""


class Block(Selection):
    """A block of columns, a row a record: paste measured on every pad. Numbers keep their field's unit."""

    each: Slug
    columns: Annotated[dict[Slug, str], Field(min_length=1)]


class EventRule(Section):
    """One kind of event the mapping makes."""

    type: str
    each: Slug | None = None
    """The kind of record of which every one gives one such event; absent: one a group."""
    when: Filter = {}
    """Only where a field has one of these values."""
    unless: Filter = {}
    present: tuple[FieldName, ...] = ()
    time: Annotated[tuple[str, ...], Field(min_length=1)]
    """The field that holds the time, or several of which the first that is present counts."""
    needs: tuple[FieldName, ...] = ()
    """Lists of `data` without which the event is left out."""
    data: dict[str, Any] = {}
    """The event's data in the shape of its schema: constants, "$field", or a rule (each, items, count, cases, first,
    join)."""
    block: Block | None = None

    @field_validator("type")
    @classmethod
    def _type_is_known(cls, value: str) -> str:
        if value.startswith("source."):
            raise ValueError("source events are the bridge's own statements; a mapping makes none")
        if value not in DATA_TYPES:
            known = ", ".join(sorted(name for name in DATA_TYPES if not name.startswith("source.")))
            raise ValueError(f"is no event type; known are {known}")
        return value


Fields = dict[FieldName, FieldRule]

PLACEHOLDERS = (
    "NOREAD",
    "NO READ",
    "NO_READ",
    "NOBARCODE",
    "NONE",
    "NULL",
    "N/A",
    "NA",
    "ERROR",
    "UNKNOWN",
    "DUMMY",
)
"""Texts which machines write where they read no identifier (common practice, no source). Upper or lower case; a
text of one repeated character, such as 0000 or ????, is one as well."""


class Check(Section):
    """A number that the source states, or that is known beforehand, and that must agree with the records there are.

    A file that stops early, or lost a row, is rejected as a whole instead of passing for less.
    """

    each: Slug | None = None
    """For every record of this kind (absent: once a group) ..."""
    field: str | Annotated[int, Field(ge=0)]
    """... the number in this field, written $name, or this number ..."""
    equals: CountRule
    """... is how many of these records there are."""
    when: Filter = {}
    unless: Filter = {}
    present: tuple[FieldName, ...] = ()


class Companion(Section):
    """A file beside the logs that is looked into, and gives no events of its own: a table of reels by slot and time.

    It lies in the logs' folder. All files whose names match are one table. Its hash stands in the origin of every
    event that was made with it. A log waits for a companion that is missing, cannot be read or is too old, as it waits
    for its own end; then it is read without, and what is not known is absent and flagged.
    """

    pattern: AnyPattern
    """Pattern of whole file names. A named group that the logs' names have as well must have the same text there:
    then every log has a companion of its own."""
    reader: AnyReader
    kind: Slug
    """The kind of record that is a row of the table."""
    fields: Fields
    since: FieldName | None = None
    """The field that holds from when on a row is in force; the latest one is. Absent: rows are always in force."""
    until: FieldName | None = None
    """The field that holds when it ceases to be, where that is told."""
    covers: Literal["written_after", "as_found"] | None = None
    """With `since`: `written_after`: the table is known up to the time at which its file was written.
    `as_found`: whatever is found is taken for complete, at a price that must be stated: a change that the table
    does not hold yet puts the reel before it on the board."""

    @model_validator(mode="after")
    def _keys_fit(self) -> "Companion":
        kinds = self.reader.kinds()
        if self.kind not in kinds:
            raise ValueError(
                f"the companion's reader has no record kind {self.kind!r}; it has {', '.join(kinds)}"
            )
        if (self.since is None) != (self.covers is None):
            raise ValueError("`covers` goes with `since`: written_after, or as_found")
        if self.until is not None and self.since is None:
            raise ValueError("`until` goes with `since`")
        for name in (self.since, self.until):
            if name is not None and (name not in self.fields or self.fields[name].type != "time"):
                raise ValueError(f'{name!r} has to be a field of the companion with type = "time"')
        return self


class MappingFile(Section):
    """A whole mapping file."""

    name: Text
    revision: Annotated[int, Field(ge=1, le=999_999)]
    """Raise it with every change: the same revision with another content is refused at start."""
    zone: Zone | None = None
    """Zone of times that state none: IANA name or UTC offset."""
    zone_basis: Literal["configured", "assumed"] = "configured"
    """`assumed`: nobody has confirmed the zone."""
    placeholders: tuple[str, ...] = PLACEHOLDERS
    """Texts that are no identifiers; a text of one repeated character is none either."""
    validity: Validity = Validity()
    reader: AnyReader
    file: FileName | None = None
    group: Group = Group()
    fields: dict[Slug, Fields] = {}
    companion: dict[FieldName, Companion] = {}
    derived: dict[Slug, Derived] = {}
    tables: dict[Slug, Table] = {}
    positions: tuple[Positions, ...] = ()
    check: tuple[Check, ...] = ()
    event: Annotated[tuple[EventRule, ...], Field(min_length=1)]

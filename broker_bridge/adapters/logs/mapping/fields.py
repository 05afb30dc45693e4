"""How a column becomes a typed value: the `[fields.<kind>]` sections of a mapping file.

The verbs of a field are applied in this order, each only where it is stated: join, trim, match, split, list, absent,
table, type (with decimal, thousands, format, zone), scale, range. Behind `list` they are applied to every item.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from broker_bridge.adapters.logs.mapping.zones import zone_name
from broker_bridge.adapters.logs.protocol.patterns import compiled
from broker_bridge.events.base import Finite, Text


class Section(BaseModel):
    """Base of all sections of a mapping file: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _pattern(text: str) -> str:
    if compiled(text).groups < 1:
        raise ValueError("has no group; put ( ) around the part that is wanted")
    return text


Pattern = Annotated[str, Field(max_length=1000), AfterValidator(_pattern)]
"""A regular expression with at least one group, in RE2's language: its time is bounded."""

Zone = Annotated[str, AfterValidator(zone_name)]
FieldName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=64)]


class FieldRule(Section):
    """One field. In short form only the column's name: `code = "Board code"`."""

    column: Text | None = None
    """The column; without it the column has the field's name. `a.b` is b inside a, in nested records."""
    columns: tuple[Text, ...] = ()
    """Several columns that are joined."""
    join: str = " "
    """What is put between joined columns."""
    trim: bool = True
    """Blanks around the text are dropped."""
    match: Pattern | None = None
    """The first group of this pattern is taken; a text that does not match is rejected."""
    split: Annotated[str, Field(min_length=1)] | None = None
    """The text is split at this ..."""
    part: int = 1
    """... and this part is taken, from 1, or from the end with -1."""
    list: Annotated[str, Field(min_length=1)] | None = None
    """The text is a list cut at this sign: U1,U2,U7. A list in nested records, and several `columns`, are taken as
    they are. Absent items are left out; an empty list is absent."""
    span: Annotated[str, Field(min_length=1)] | None = None
    """Sign between the first and the last of a run in a list: with "-", R1-R4 is R1, R2, R3, R4. Without it R1-R4 is
    one item."""
    absent: tuple[str, ...] = ("",)
    """Texts that mean: no value. They are the column's own: NA may mean two things in two columns."""
    required: bool = False
    """A record without this value is rejected."""
    table: str | None = None
    """Value table by which the text is translated."""
    type: Literal["text", "integer", "number", "time", "date", "clock", "boolean"] = "text"
    """`date` and `clock`: the two halves of a time, which [derived.<kind>] puts together."""
    decimal: Literal[".", ","] | None = None
    """Decimal sign, where it is not the reader's."""
    thousands: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    """Sign between groups of three digits."""
    scale: Annotated[Finite, Field(gt=0)] | None = None
    """Factor by which the number is multiplied, exactly, to be in `unit`."""
    unit: Text | None = None
    """Unit of the value after scaling (UCUM spelling where one exists: mm, um, %, Cel)."""
    range: tuple[Finite, Finite] | None = None
    """Plausible values, bounds included, after scaling; others are rejected."""
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    format: Text | None = None
    """Time: letters as strptime has them (%Y-%m-%d %H:%M:%S), or iso, unix_s, unix_ms, unix_us, days_1900. Date and
    clock: letters."""
    zone: Zone | None = None
    """Zone of a time that states none: IANA name or UTC offset; the mapping's zone where absent."""
    means: Literal["start", "end", "saved", "reviewed", "sent"] | None = None
    """What the time is the time of."""

    @model_validator(mode="after")
    def _keys_fit_the_type(self) -> "FieldRule":
        if self.column is not None and self.columns:
            raise ValueError("`column` and `columns` exclude each other")
        if self.part == 0 or (self.part != 1 and self.split is None):
            raise ValueError("`part` counts from 1, or from -1 at the end, and goes with `split`")
        belongs = {
            "decimal": ("number",),
            "thousands": ("number", "integer"),
            "scale": ("number", "integer"),
            "unit": ("number", "integer"),
            "range": ("number", "integer"),
            "true": ("boolean",),
            "false": ("boolean",),
            "format": ("time", "date", "clock"),
            "zone": ("time",),
            "means": ("time",),
        }
        for key, types in belongs.items():
            if key in self.model_fields_set and self.type not in types:
                raise ValueError(
                    f"`{key}` goes with type = {' or '.join(map(repr, types))}, not {self.type!r}"
                )
        if self.type == "time" and (self.format is None or self.means is None):
            raise ValueError("a time needs `format` and `means` (start, end, saved, reviewed or sent)")
        if self.type == "boolean" and not (self.true and self.false):
            raise ValueError("a boolean needs the texts of `true` and of `false`")
        if self.type in ("date", "clock") and self.format is None:
            raise ValueError(f"a {self.type} needs `format`")
        if self.table is not None and self.type in ("time", "date", "clock"):
            raise ValueError(f"a {self.type} takes no table")
        if self.list is not None and self.type not in ("text", "integer", "number"):
            raise ValueError(f"a list holds texts or numbers, not values of type = {self.type!r}")
        if self.span is not None and self.list is None:
            raise ValueError("`span` goes with `list`")
        if self.range is not None and self.range[0] > self.range[1]:
            raise ValueError("the lower bound of `range` is above the upper one")
        return self

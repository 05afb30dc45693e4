"""`[derived.<kind>]`: values of a record that are computed from others; each is a field like those that are read.

A rule sees the fields of its own kind, those derived before it, the kinds that hold where the record stands, and the
file's name. What it is computed from is absent: so is the value. What is computed is flagged where the source may
have meant something else.
"""

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from broker_bridge.adapters.logs.mapping.fields import FieldName, Section, Zone

Means = Literal["start", "end", "saved", "reviewed", "sent"]
Unit = Literal["us", "ms", "s", "min", "h", "d"]


class ShiftRule(Section):
    """A time some while behind another, or before it: `{ time = "$started", plus = "$cycle", means = "end" }`.

    The while is a number field that states its `unit`: us, ms, s, min, h or d. Flagged `computed_time`.
    """

    time: str
    plus: str | None = None
    minus: str | None = None
    means: Means


class ClockRule(Section):
    """A time of which the day stands in one place and the clock in another: `{ day = "$head.date", clock = "$clock",
    means = "end" }`.

    `day` is a date, or a time whose day it is, as of a header block that holds; `clock` is a clock of this record.
    Records follow each other within 23 hours: a clock that is more than an hour behind the latest so far is of the
    next day; up to an hour behind, it is out of order. For the first record behind a header with a date the day is the
    header's, behind one with a time that time counts as the latest. On another day than the header's it is flagged
    `counted_day`.
    """

    day: str
    clock: str
    means: Means
    zone: Zone | None = None
    """Zone of the clock; that of the day's time, or the mapping's, where absent."""


class DurationRule(Section):
    """How long it took from one time to another: `{ since = "$started", until = "$ended", unit = "s" }`.

    Rejected where it would be below nothing.
    """

    since: str
    until: str
    unit: Unit


class LookUpRule(Section):
    """A value of the companion's row that is in force: `{ companion = "reels", gives = "lot", same = { slot = "$slot" },
    at = "$placed" }` (see Companion)."""

    companion: FieldName
    gives: FieldName
    """The field of the companion's row that is wanted."""
    same: dict[FieldName, str] = {}
    """Fields of the companion's row -> fields here which they must equal; of a list, one item."""
    at: str | None = None
    """The time at which the row has to be in force; needed where the companion states `since`."""
    required: bool = False
    """A record for which no row is known is rejected."""


def _kind(rule: Any) -> str:
    found = rule if isinstance(rule, dict) else {}
    keys = {"companion": "companion", "day": "day", "since": "since"}
    return next((tag for key, tag in keys.items() if key in found), "time")


DerivedRule = Annotated[
    Annotated[ShiftRule, Tag("time")]
    | Annotated[ClockRule, Tag("day")]
    | Annotated[DurationRule, Tag("since")]
    | Annotated[LookUpRule, Tag("companion")],
    Discriminator(_kind),
]
Derived = dict[FieldName, DerivedRule]

"""Readings: process values, and the paste measured on every pad."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from broker_bridge.events.base import Count, Data, Finite, Hash, Measurement, Model, Program, Slug, Text, Time


class ReadingRecorded(Data):
    """Process values at one moment or over one interval: oven zones, pressures, climate."""

    TYPE = "reading.recorded"
    values: tuple[Measurement, ...]
    until: Time | None = None
    program: Program | None = None


class Column(Model):
    """One column of a block, packed (module columns tells how)."""

    name: Slug
    """What it is: volume, height, area, offset_x, offset_y, designator, termination, pad, outcome, or any
    of them with _lower or _upper for the limit in force."""
    unit: Text | None = None
    encoding: Literal["i2", "i4", "f4", "f8", "text"]
    """Little-endian integers times `scale`, floats, or a JSON array of texts."""
    scale: Finite | None = None
    """For i2 and i4: value = integer * scale."""
    data: Annotated[str, StringConstraints(max_length=8 * 2**20)]
    """Base64 of the zstd-compressed, byte-shuffled column."""


class ReadingPasteMeasured(Data):
    """Paste on every pad of one board or panel at one inspection, as columns of equal length."""

    TYPE = "reading.paste_measured"
    pads: Annotated[int, Field(ge=1, le=1_000_000)]
    columns: tuple[Column, ...]
    block: Hash
    """SHA-256 over the columns' packed bytes, in order."""
    program: Program | None = None
    started: Time | None = None
    out_of_limits: Count | None = None
    """Pads the machine judged bad, as stated."""

    @model_validator(mode="after")
    def _names_are_unique(self) -> "ReadingPasteMeasured":
        names = [column.name for column in self.columns]
        if len(set(names)) != len(names):
            raise ValueError(f"a column name stands twice: {names}")
        return self


TYPES: tuple[type[Data], ...] = (ReadingRecorded, ReadingPasteMeasured)

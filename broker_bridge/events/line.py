"""Declarations: what the line is and what a part looks like, each valid from a date."""

from typing import Annotated

from pydantic import Field

from broker_bridge.events.base import Data, Finite, Lane, Measurement, Model, Name, Part, Side, Text, Time


class Link(Model):
    """Boards pass from one station to the next."""

    to: Name
    from_lane: Lane | None = None
    to_lane: Lane | None = None
    buffer: Annotated[int, Field(ge=0)] | None = None
    """Boards that fit between the two."""


class Station(Model):
    """A place in the line and the machine that stands there."""

    name: Name
    equipment: Text | None = None
    software: Text | None = None
    calibration_due: Time | None = None
    kind: Text | None = None
    lanes: Annotated[int, Field(ge=1)] | None = None
    links: tuple[Link, ...] = ()
    optional: bool = False
    """True where the declared process may skip it."""


class LineDeclared(Data):
    """The stations of a line in process order, valid from a time on. `part` and `side` narrow it to a process."""

    TYPE = "line.declared"
    line: Name
    stations: tuple[Station, ...]
    valid_from: Time


class Spot(Model):
    """One position of the panel layout, or one component of the placement."""

    name: Text
    """Position number in the plant's numbering, or reference designator."""
    part: Part | None = None
    x_mm: Finite | None = None
    y_mm: Finite | None = None
    rotation_deg: Finite | None = None
    side: Side | None = None
    terminations: Annotated[int, Field(ge=0)] | None = None


class LinePartDeclared(Data):
    """A part's panel layout, placement and limits, valid from a time on; `part` names it."""

    TYPE = "line.part_declared"
    valid_from: Time
    positions: tuple[Spot, ...] = ()
    placement: tuple[Spot, ...] = ()
    limits: tuple[Measurement, ...] = ()
    marking: Text | None = None
    """The plant's secrecy or export-control marking of this part's data."""


TYPES: tuple[type[Data], ...] = (LineDeclared, LinePartDeclared)

"""A stencil's apertures as a table that a person hands in: CSV with a heading.

Columns: designator, termination (or pad), and length and width, or diameter, or area and perimeter; thickness. All in mm. A row
without a termination holds for all of a component's.
"""

import csv
import io
import math
from typing import NamedTuple

from broker_bridge.analysis.apertures import Aperture
from broker_bridge.errors import UsageError
from broker_bridge.queries.columns_paste import Pad


class Opening(NamedTuple):
    """An aperture and the thickness of its foil, mm."""

    aperture: Aperture
    thickness: float


Openings = dict[tuple[str, str | None], Opening]
"""By designator and termination; None: all of its terminations."""


def read_openings(text: str, file: str) -> Openings:
    """The table. Raises UsageError naming file and line."""
    found: Openings = {}
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    for row in rows:
        where = f"{file}, line {rows.line_num}"
        try:
            name = (row.get("designator") or "").strip()
            if not name:
                raise UsageError("no designator")
            own = (row.get("termination") or row.get("pad") or "").strip() or None
            found[name, own] = Opening(_aperture(row), _number(row, "thickness"))
        except UsageError as error:
            raise UsageError(f"{where}: {error}") from error
    if not found:
        raise UsageError(
            f"{file}: no aperture in it; expected a heading with designator, length, width, thickness"
        )
    return found


def opening(openings: Openings, pad: Pad) -> Opening | None:
    """The aperture of a pad."""
    name = pad.designator or ""
    return openings.get((name, pad.name)) or openings.get((name, None))


def _aperture(row: dict[str, str]) -> Aperture:
    if (row.get("area") or "").strip():
        width = _number(row, "width") if (row.get("width") or "").strip() else None
        return Aperture(_number(row, "area"), _number(row, "perimeter"), width)
    if (row.get("diameter") or "").strip():
        return Aperture.circle(_number(row, "diameter"))
    return Aperture.rectangle(_number(row, "length"), _number(row, "width"))


def _number(row: dict[str, str], name: str) -> float:
    text = (row.get(name) or "").strip()
    try:
        value = float(text)
    except ValueError:
        raise UsageError(f"{name} is {text!r}, no number") from None
    if not 0 < value < math.inf:
        raise UsageError(f"{name} is {text!r}: it has to be above zero")
    return value

"""PLAN: what the plant's planning has decided, one JSON document: the line and its parts. No machine writes it.

UTF-8. `valid_from` is RFC 3339 in UTC. Lengths in mm, rotation in degrees.

  lines   line, stations: name, kind, lanes, next (absent: the last), buffer (panels in between), optional (the process may
          skip it), in the order of the process
  parts   part, revision, title, positions: position (plant numbering, see `positions`), x, y of the board's lower left on the
          panel, top side seen; placement: designator, item, side, x, y of the component on its board seen from its own
          side, rotation, terminations
"""

import json
from datetime import UTC, datetime
from typing import Any

from broker_bridge.simulate.model.line import BUFFER, OVEN_BUFFER
from broker_bridge.simulate.products import PARTS, Part
from broker_bridge.simulate.stations import LANE, LINE, STATIONS

NAME = "harbour_works_plan.json"

KINDS = {
    "LOAD": "loader and marker",
    "PRINT": "paste printer",
    "SPI": "paste inspection",
    "JET": "jet top-up",
    "PLACE1": "placement",
    "PLACE2": "placement",
    "OVEN": "reflow oven",
    "AOI": "optical inspection",
    "REVIEW": "review and rework",
    "TEST": "electrical test",
}

_OFF_LINE = ("REVIEW", "TEST")
_BESIDE = ("REVIEW",)  # only boards that were called come there
_MARGIN_MM = 5.0


def plan(valid_from: datetime) -> bytes:
    """The document. `valid_from` is aware."""
    since = valid_from.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    document = {
        "plant": "Harbour Works",
        "valid_from": since,
        "lines": [{"line": LINE, "stations": _stations()}],
        "parts": [_part(part) for part in PARTS],
    }
    return (json.dumps(document, indent=1) + "\n").encode()


def _stations() -> list[dict[str, Any]]:
    stations: list[dict[str, Any]] = []
    for name, following in zip(STATIONS, (*STATIONS[1:], None), strict=True):
        station: dict[str, Any] = {"name": name.lower(), "kind": KINDS[name], "lanes": LANE}
        if following is not None and following not in _OFF_LINE:
            station["next"] = following.lower()
            station["buffer"] = OVEN_BUFFER if name == "OVEN" else BUFFER
        station["optional"] = name in _BESIDE
        stations.append(station)
    return stations


def _part(part: Part) -> dict[str, Any]:
    width, height = part.board_mm
    return {
        "part": part.number,
        "revision": part.revision,
        "title": part.title,
        "positions": [
            {
                "position": place + 1,
                "x": _MARGIN_MM + place % part.columns * width,
                "y": _MARGIN_MM + place // part.columns * height,
            }
            for place in range(part.positions)
        ],
        "placement": [
            {
                "designator": component.designator,
                "item": component.item,
                "side": side.name,
                "x": component.x,
                "y": component.y,
                "rotation": component.rotation,
                "terminations": len(component.package.pads),
            }
            for side in part.sides
            for component in side.components
        ],
    }

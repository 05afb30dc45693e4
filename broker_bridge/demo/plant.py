"""The invented plant as a folder: its configuration, mappings, machines' folders, truth and record."""

import json
import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Final

from broker_bridge.simulate import AREA, LINE, PLAN_NAME, SITE, plan

_SAMPLES: Final = "broker_bridge.adapters.logs", "samples"
_OURS: Final = "broker_bridge.demo", "mappings"

MAPPINGS: Final[Mapping[str, tuple[tuple[str, str], str]]] = {
    "LOAD": (_OURS, "load.toml"),
    "PRINT": (_OURS, "print.toml"),
    "SPI": (_SAMPLES, "paste_inspection.toml"),
    "JET": (_OURS, "jet.toml"),
    "PLACE1": (_OURS, "place.toml"),
    "PLACE2": (_OURS, "place.toml"),
    "OVEN": (_OURS, "oven.toml"),
    "AOI": (_SAMPLES, "optical_inspection.toml"),
    "REVIEW": (_OURS, "review.toml"),
    "TEST": (_SAMPLES, "electrical_test.toml"),
}
"""Station -> package, folder and name of the mapping that understands what it writes."""

PLAN: Final = (_OURS, "plan.toml")
"""The mapping of what the plant's planning declares: the line, and its parts."""

GROWING: Final = frozenset({"LOAD", "PRINT", "PLACE1", "PLACE2", "OVEN"})
"""Stations that write logs which grow; the others drop a file for each panel or board."""

_HOLDS_BEFORE: Final = timedelta(days=1)
"""The plan was made so long before the first board."""

_BOARD_BY_BOARD: Final = ("TEST",)
"""Stations that handle single boards: what their scanners read is a board's serial, elsewhere a panel's."""

_HEAD: Final = """\
# The invented plant "Harbour Works": written by `broker-bridge demo`.
roles = ["broker", "edge", "recorder", "projector"]

[plant]
site = "{site}"

[broker]
port = 0

[record]
name = "harbour-works"

[edge]
name = "edge-{line}"
"""

_FILES: Final = """
[[adapters]]
kind = "files"
name = "{station}-files"
area = "{area}"
line = "{line}"
station = "{station}"
folder = {folder}
mapping = "mappings/{mapping}"
{pickup}poll_s = 0.2
"""

_PLAN: Final = """
# The line and its parts, as the plant's planning has decided them.
[[adapters]]
kind = "files"
name = "plan-files"
area = "{area}"
line = "{line}"
folder = {folder}
mapping = "mappings/{mapping}"
poll_s = 0.2
"""

_GROWING: Final = """\
pickup = "growing"               # a log that the machine appends to, renames and begins anew
"""

_TRANSFER: Final = """
# Machines that tell over the vertical channel of IPC-HERMES-9852 what came and went.
[[adapters]]
kind = "transfer"
name = "transfer-{labels}s"
area = "{area}"
line = "{line}"
zone = "Europe/Lisbon"
labels = "{labels}"
placeholders = ["NOREAD", "TESTCODE"]
{tolerance}machines = [
{machines}
]
"""

_PERSONS: Final = """
# What persons state: `broker-bridge assert`.
[[adapters]]
kind = "assertions"
name = "desk"
area = "{area}"
line = "{line}"
"""

_TOLERANCE: Final = """\
# The demo catches up with its past first: the machines' stamps are old then.
clock_tolerance_s = {tolerance}
"""


def mapping_text(station: str) -> str:
    """The mapping file for what a station writes. Raises KeyError for an unknown station."""
    return _text(*MAPPINGS[station])


def plan_mapping() -> str:
    """The mapping file for the plan of the line and its parts."""
    return _text(*PLAN)


def _text(room: tuple[str, str], name: str) -> str:
    package, folder = room
    return (resources.files(package) / folder / name).read_text(encoding="utf-8")


def write_plant(
    folder: Path, machines: Path, ports: Mapping[str, int], start: datetime, past: timedelta
) -> Path:
    """Write `plant.toml`, the mappings, and the plan of the line into `folder`; returns the configuration's path.

    `machines` holds a folder a station and the plan, `ports` the vertical channel of each; the plant began at `start`,
    `past` ago where that is to be caught up with.
    """
    (folder / "mappings").mkdir(parents=True, exist_ok=True)
    text = _HEAD.format(site=SITE, line=LINE)
    for station, (_, name) in MAPPINGS.items():
        (folder / "mappings" / name).write_text(mapping_text(station), encoding="utf-8")
        where = json.dumps(str(machines / station.lower()))
        text += _FILES.format(
            station=station.lower(),
            area=AREA,
            line=LINE,
            folder=where,
            mapping=name,
            pickup=_GROWING if station in GROWING else "",
        )
    plans = machines / "plan"
    plans.mkdir(parents=True, exist_ok=True)
    (plans / PLAN_NAME).write_bytes(plan(start - _HOLDS_BEFORE))
    (folder / "mappings" / PLAN[1]).write_text(plan_mapping(), encoding="utf-8")
    text += _PLAN.format(area=AREA, line=LINE, folder=json.dumps(str(plans)), mapping=PLAN[1])
    tolerance = (
        _TOLERANCE.format(tolerance=math.ceil(past.total_seconds()) + 3600) if past > timedelta(0) else ""
    )
    for labels, alone in (("panel", False), ("board", True)):
        rows = [
            f'    {{ station = "{station.lower()}", host = "127.0.0.1", port = {port} }},'
            for station, port in ports.items()
            if (station in _BOARD_BY_BOARD) == alone
        ]
        text += _TRANSFER.format(
            area=AREA, line=LINE, labels=labels, tolerance=tolerance, machines="\n".join(rows)
        )
    text += _PERSONS.format(area=AREA, line=LINE)
    config = folder / "plant.toml"
    config.write_text(text, encoding="utf-8")
    return config

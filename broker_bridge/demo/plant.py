"""The invented plant as a folder: its configuration, mappings, machines' folders, truth and record."""

import json
import math
import shutil
from collections.abc import Mapping
from datetime import timedelta
from importlib import resources
from pathlib import Path
from typing import Final

from broker_bridge.simulate import AREA, LINE, SITE

_MAPPINGS: Final = {
    "spi": ("broker_bridge.adapters.logs", "samples/paste_inspection.toml"),
    "aoi": ("broker_bridge.adapters.logs", "samples/optical_inspection.toml"),
    "review": ("broker_bridge.demo", "mappings/review.toml"),
}
"""Station -> package and file of the mapping that understands its result files."""

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
mapping = "mappings/{station}.toml"
poll_s = 0.2
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
{tolerance}machines = [
{machines}
]
"""

_TOLERANCE: Final = """\
# The demo catches up with its past first: the machines' stamps are old then.
clock_tolerance_s = {tolerance}
"""


def write_plant(folder: Path, machines: Path, ports: Mapping[str, int], past: timedelta) -> Path:
    """Write `plant.toml` and the mappings into `folder`; returns the configuration's path.

    `machines` holds a folder a station, `ports` the vertical channel of each; the plant began so long ago.
    """
    tolerance = (
        _TOLERANCE.format(tolerance=math.ceil(past.total_seconds()) + 3600) if past > timedelta(0) else ""
    )
    (folder / "mappings").mkdir(parents=True, exist_ok=True)
    text = _HEAD.format(site=SITE, line=LINE)
    for station, (package, name) in _MAPPINGS.items():
        with resources.as_file(resources.files(package) / name) as mapping:
            shutil.copyfile(mapping, folder / "mappings" / f"{station}.toml")
        where = json.dumps(str(machines / station))
        text += _FILES.format(station=station, area=AREA, line=LINE, folder=where)
    for labels, alone in (("panel", False), ("board", True)):
        rows = [
            f'    {{ station = "{station.lower()}", host = "127.0.0.1", port = {port} }},'
            for station, port in ports.items()
            if (station in _BOARD_BY_BOARD) == alone
        ]
        text += _TRANSFER.format(
            area=AREA, line=LINE, labels=labels, tolerance=tolerance, machines="\n".join(rows)
        )
    config = folder / "plant.toml"
    config.write_text(text, encoding="utf-8")
    return config

"""Open design data, read by mapping files alone: a position file, with the bill of material as its companion.

M17-Project/Module_17 (CERN-OHL-W-2.0) and mfkiwl/icepi-zero (Solderpad Hardware License 2.1), read from
../shared/data/placement-open; what they hold is counted here with Python's csv module.
"""

import csv
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.record import digest_of
from broker_bridge.events.line import LinePartDeclared

pytestmark = pytest.mark.shared("placement-open")

MODIFIED = datetime(2026, 3, 2, tzinfo=UTC)

PLACEMENT = """
name = "placement of open designs"
revision = 1

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ","
records = [{ kind = "spot", header = true, columns = ["Designator", "Mid X", "Mid Y", "Rotation", "Layer"] }]

[file]
pattern = '(?P<design>\\w*?)_?positions-?(?P<variant>\\w*)\\.csv'

[group]
per = "file"

[fields.file]
design = { absent = [""] }
variant = { absent = [""] }

[fields.spot]
designator = { column = "Designator", required = true }
x = { column = "Mid X", type = "number", unit = "mm", range = [-500, 500], required = true }
y = { column = "Mid Y", type = "number", unit = "mm", range = [-500, 500], required = true }
rotation = { column = "Rotation", type = "number", unit = "deg", range = [0, 360], required = true }
side = { column = "Layer", table = "layers", required = true }

[tables.layers]
values = { top = "top", bottom = "bottom" }
otherwise = "reject"

[companion.bill]
pattern = '(?P<design>\\w*?)_?bom-?(?P<variant>\\w*)\\.csv'
kind = "line"

[companion.bill.reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ","
records = [{ kind = "line", header = true, columns = ["Designator", "Footprint", "Quantity", "Value", "LCSC Part #"] }]

[companion.bill.fields]
designators = { column = "Designator", list = "," }
value = "Value"
number = "LCSC Part #"

[derived.spot]
value = { companion = "bill", gives = "value", same = { designators = "$designator" }, required = true }
number = { companion = "bill", gives = "number", same = { designators = "$designator" } }

[[event]]
type = "line.part_declared"
time = "$file.modified"
[event.data]
valid_from = "$file.modified"
part = { number = "$file.name" }
[event.data.placement]
each = "spot"
[event.data.placement.item]
name = "$designator"
part = { number = { first = ["$number", "$value"] } }
x_mm = "$x"
y_mm = "$y"
rotation_deg = "$rotation"
side = "$side"
"""

PAIRS = [
    ("icepi_zero", "positions.csv", "bom.csv", 118),
    ("m17_module17", "HMI_positions.csv", "HMI_bom.csv", 49),
    ("m17_module17", "mainboard_positions-digipot.csv", "mainboard_bom-digipot.csv", 183),
    ("m17_module17", "mainboard_positions-multiturn.csv", "mainboard_bom-multiturn.csv", 183),
]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(("folder", "positions", "bill", "count"), PAIRS, ids=[pair[1] for pair in PAIRS])
def test_positions_and_bill_of_material_agree(
    shared: Path, folder: str, positions: str, bill: str, count: int
) -> None:
    here = shared / "placement-open" / folder
    companions = [
        CompanionFile(path.name, digest_of(path.read_bytes()), MODIFIED, path.read_bytes())
        for path in sorted(here.glob("*bom*.csv"))
    ]
    reading = read_bytes(
        compile_mapping(PLACEMENT, "placement.toml"), (here / positions).read_bytes(), positions,
        adapter="design", modified=MODIFIED, companions=companions,
    )  # fmt: skip
    (taking,) = reading
    (statement,) = taking.statements
    data = statement.data
    assert isinstance(data, LinePartDeclared), data
    assert [known.hash for known in data.origin.companions or ()] == [digest_of((here / bill).read_bytes())]
    assert data.origin.flags == ()

    stated = rows_of(here / positions)
    assert len(data.placement) == len(stated) == count
    for spot, row in zip(data.placement, stated, strict=True):
        assert (spot.name, spot.side) == (row["Designator"], row["Layer"])
        assert (spot.x_mm, spot.y_mm, spot.rotation_deg) == tuple(
            float(row[name]) for name in ("Mid X", "Mid Y", "Rotation")
        )
    lines = rows_of(here / bill)
    expected = Counter[str]()
    for line in lines:
        expected[line["LCSC Part #"].strip() or line["Value"].strip()] += int(line["Quantity"])
    assert Counter(spot.part.number for spot in data.placement if spot.part is not None) == expected
    listed = {name.strip() for line in lines for name in line["Designator"].split(",")}
    assert {spot.name for spot in data.placement} == listed


def test_what_is_placed_is_among_the_designators_of_the_design(shared: Path) -> None:
    """designators.csv has `C1:1` lines, which are no columns: free text by pattern."""
    here = shared / "placement-open" / "icepi_zero"
    toml = """
name = "designators"
revision = 1
[reader]
kind = "text"
encoding = "utf-8"
unmatched = "refuse"
records = [{ kind = "one", pattern = '^(?P<name>[^:]+):(?P<count>[0-9]+)$' }]
[group]
per = "file"
[fields.one]
name = { required = true }
count = { type = "integer", required = true }
[[event]]
type = "line.part_declared"
time = "$file.modified"
[event.data]
valid_from = "$file.modified"
placement = { each = "one", item = { name = "$name" } }
"""
    content = (here / "designators.csv").read_bytes()
    (taking,) = read_bytes(
        compile_mapping(toml, "d.toml"), content, "designators.csv", adapter="d", modified=MODIFIED
    )
    data = taking.statements[0].data
    assert isinstance(data, LinePartDeclared), data
    names = {spot.name for spot in data.placement}
    assert len(names) == len(data.placement) == len(content.decode("utf-8-sig").split("\n")) - 1
    placed = {row["Designator"] for row in rows_of(here / "positions.csv")}
    assert placed < names

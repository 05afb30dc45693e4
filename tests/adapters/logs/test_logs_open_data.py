"""Open data of a real line, read by mapping files alone; the counts are those that others have published.

PHM Society Europe, 2022 Data Challenge (Giordano, Trevisan), CC BY-NC-SA 4.0: never part of this repository,
read from ../shared/data/aoi-open, where NOTE.md lists the published counts and says which were computed.
"""

import gc
from collections import Counter, defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.events.columns import unpack_numbers, unpack_texts
from broker_bridge.events.inspection import (
    InspectionCompleted,
    InspectionReviewed,
    InspectionReworkPerformed,
)
from broker_bridge.events.reading import ReadingPasteMeasured
from broker_bridge.events.source import SourceRejected

pytestmark = pytest.mark.shared("aoi-open")

MAPPING = """
name = "optical inspection calls, open data"
revision = 1

[reader]
kind = "delimited"
encoding = "ascii"
delimiter = ","
quote = ""

[[reader.records]]
kind = "call"
header = true
columns = ["PanelID", "FigureID", "MachineID", "ComponentID", "PinNumber", "AOILabel", "OperatorLabel", "RepairLabel"]

[group]                                   # rows of a panel are not contiguous
per = "key"
by = ["panel", "figure", "machine"]

[fields.call]
panel = { column = "PanelID", match = "^([0-9]{20})$" }
figure = { column = "FigureID", match = "^([1-8])$" }
machine = { column = "MachineID", table = "machines", required = true }
component = { column = "ComponentID", required = true }
pin = { column = "PinNumber", absent = ["NA"] }              # NA: the call is about the body
label = { column = "AOILabel", required = true }
verdict = { column = "OperatorLabel", table = "verdicts", required = true }
repair = { column = "RepairLabel", absent = ["NA"] }         # NA: not repaired (yet)
repaired = { column = "RepairLabel", absent = ["NA"], table = "repairs" }

[tables.machines]
values = { A = "aoi-a", B = "aoi-b" }
otherwise = "reject"

[tables.verdicts]
values = { Good = "false_call", Bad = "confirmed" }
otherwise = "reject"

[tables.repairs]
values = { FalseScrap = "false_scrap", NotPossibleToRepair = "not_repairable", NotYetClassified = "not_classified" }
otherwise = "reject"

[[event]]
type = "inspection.completed"
time = "$file.modified"                   # the file states no time
[event.data]
method = "optical"
outcome = "failed"
station = "$machine"
boards = [{ unit = "board", panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$figure" }]
calls = { each = "call", item = { label = "$label", place = { designator = "$component", termination = "$pin" } } }

[[event]]
type = "inspection.reviewed"
time = "$file.modified"
[event.data]
inspected_at = "$machine"
boards = [{ unit = "board", panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$figure" }]

[event.data.verdicts]
each = "call"
item = { label = "$label", verdict = "$verdict", place = { designator = "$component", termination = "$pin" } }

[[event]]
type = "inspection.rework_performed"
time = "$file.modified"
needs = ["actions"]
[event.data]
kind = "repair"
boards = [{ unit = "board", panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$figure" }]

[event.data.actions]
each = "call"
present = ["repair"]
item = { action = "$label", verdict = "$repaired", place = { designator = "$component", termination = "$pin" } }
"""


def statements_of(toml: str, file: Path) -> list[Statement]:
    reading = read_bytes(
        compile_mapping(toml, "open.toml"), file.read_bytes(), file.name, adapter="open",
        modified=datetime(2022, 4, 1, tzinfo=UTC),
    )  # fmt: skip
    gc.disable()  # 40,000 events that stay: looking for cycles among them takes half of the time
    try:
        return [statement for taking in reading for statement in taking.statements]
    finally:
        gc.enable()


@pytest.fixture(scope="module")
def events(shared: Path) -> list[Statement]:
    return statements_of(MAPPING, shared / "aoi-open" / "AOI_training.csv")


def of_type(events: list[Statement], kind: type[Any]) -> list[Any]:
    return [statement.data for statement in events if isinstance(statement.data, kind)]


def board_of(data: Any) -> tuple[str, int]:
    (board,) = data.boards
    return board.panel.value, int(board.machine_position)


def test_published_counts_of_calls(events: list[Statement]) -> None:
    assert of_type(events, SourceRejected) == []
    inspections = of_type(events, InspectionCompleted)
    rows = Counter[int]()
    figures = defaultdict(set)
    machines = defaultdict(set)
    pins = defaultdict(Counter)
    by_machine = defaultdict(set)
    components = defaultdict(set)
    names, labels, labelled = set(), set(), Counter[str]()
    for data in inspections:
        panel, figure = board_of(data)
        assert len(panel) == 20
        rows[figure] += len(data.calls)
        figures[panel].add(figure)
        machines[data.station].add(panel)
        for call in data.calls:
            pin = (panel, figure, call.place.designator, call.place.termination)
            pins[pin][call.label] += 1
            by_machine[pin].add(data.station)
            components[panel].add(call.place.designator)
            names.add(call.place.designator)
            labels.add(call.label)
            labelled[call.label] += 1
    assert sum(rows.values()) == 31617
    assert len(figures) == 1924
    assert len(names) == 102
    assert [rows[figure] for figure in range(1, 9)] == [4015, 3848, 4151, 4107, 4001, 3784, 3381, 4330]
    assert Counter(map(len, figures.values())) == {8: 824, 7: 555, 6: 319, 5: 167, 4: 45, 3: 13, 1: 1}
    assert {station: len(panels) for station, panels in machines.items()} == {"aoi-a": 1924, "aoi-b": 1884}
    assert len(labels) == 11
    with_pin = {pin: found for pin, found in pins.items() if pin[3] is not None}
    assert max(len(found) for found in with_pin.values()) == 3
    assert sum(len(found) == 3 for found in with_pin.values()) == 61
    per_panel = Counter(len(found) for found in components.values())
    assert per_panel == {
        9: 288, 8: 274, 10: 268, 7: 240, 6: 204, 11: 173, 12: 123, 5: 119, 13: 67, 4: 54, 14: 50, 15: 25, 3: 16,
        16: 11, 18: 4, 17: 3, 2: 2, 19: 1, 27: 1, 20: 1,
    }  # fmt: skip
    assert sum(len(stations) == 2 for pin, stations in by_machine.items() if pin[3] is not None) == 6
    # Computed from the file, not published: boards with a call.
    assert len({board_of(data) for data in inspections}) == 13446


def test_published_counts_of_verdicts(events: list[Statement]) -> None:
    good, bad, bad_boards, count = set(), set(), set(), Counter[str]()
    for data in of_type(events, InspectionReviewed):
        panel, _ = board_of(data)
        for verdict in data.verdicts:
            count[verdict.verdict] += 1
            (bad if verdict.verdict == "confirmed" else good).add(panel)
            if verdict.verdict == "confirmed":
                bad_boards.add(board_of(data))
    assert count == {"confirmed": 1356, "false_call": 30261}
    assert (len(good), len(bad)) == (1919, 177)
    assert len(bad_boards) == 296


def test_published_counts_of_repairs(events: list[Statement]) -> None:
    table: dict[str, Counter[str]] = defaultdict(Counter)
    for data in of_type(events, InspectionReworkPerformed):
        for action in data.actions:
            table[action.action][action.verdict] += 1
    order = ("false_scrap", "not_repairable", "not_classified")
    published = {
        "Coplanarity": [33, 315, 64], "Translated": [13, 247, 47], "Soldered": [39, 222, 71],
        "UnSoldered": [23, 91, 7], "Size": [4, 96, 16], "LeanSoldering": [12, 1, 1],
        "Misaligned": [5, 1, 0], "Missing": [7, 17, 5],
    }  # fmt: skip
    found = {label: [counts[verdict] for verdict in order] for label, counts in table.items()}
    assert {label: found[label] for label in published} == published, "the others are not published"
    assert {verdict for counts in table.values() for verdict in counts} == set(order), "3 repair labels"


def test_identifiers_of_20_digits_are_exact(events: list[Statement], shared: Path) -> None:
    lines = (shared / "aoi-open" / "AOI_training.csv").read_text("ascii").split("\n")[1:]
    assert {line.split(",")[0] for line in lines if line} == {statement.subject for statement in events}


def test_every_row_is_in_one_raw_record(events: list[Statement], shared: Path) -> None:
    size = (shared / "aoi-open" / "AOI_training.csv").stat().st_size
    header = len("PanelID,FigureID,MachineID,ComponentID,PinNumber,AOILabel,OperatorLabel,RepairLabel\n")
    taken = sum(data.origin.raw.size for data in of_type(events, InspectionCompleted))
    assert taken == size - header


PASTE = """
name = "paste inspection, open data"
revision = 1
zone = "Europe/Rome"                      # an assumption: the data state no zone
zone_basis = "assumed"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ","
quote = ""

[[reader.records]]
kind = "pad"
header = true
needs = ["PanelID", "FigureID", "ComponentID", "PinNumber", "PadID", "Volume(%)", "Height(um)", "Result"]

[group]
per = "key"
by = ["panel", "figure"]

[fields.pad]
panel = "PanelID"
figure = { column = "FigureID", match = "^([0-9]+)[.]0$" }   # shown as floats by the notebook
time = TIME
component = "ComponentID"
pin = "PinNumber"
pad = { column = "PadID", match = "^([0-9]+)[.]0$" }
volume = { column = "Volume(%)", type = "number", unit = "%", range = [0, 500] }
height = { column = "Height(um)", type = "number", unit = "um", range = [0, 1000] }
volume_um3 = { column = "Volume(um3)", type = "number", unit = "um3" }
result = "Result"

[[event]]
type = "reading.paste_measured"
time = "$pad.time"                      # one time for a whole panel
[event.data]
boards = [{ unit = "board", panel = { kind = "panel", value = "$panel", how = "read" }, machine_position = "$figure" }]

[event.block]
each = "pad"
columns = { designator = "$component", termination = "$pin", pad = "$pad", volume = "$volume", height = "$height", volume_um3 = "$volume_um3", outcome = "$result" }
"""


@pytest.mark.parametrize(
    ("name", "cut_off", "time"),
    [
        (
            "spi_excerpt_display_AreaPct_missing.csv",
            1,
            '{ columns = ["Date", "Time"], type = "time", format = "%m/%d/%Y %H:%M:%S", means = "saved" }',
        ),
        (
            "spi_excerpt_cleaned_all_columns.csv",
            0,
            '{ column = "DateTime", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "saved" }',
        ),
    ],
)
def test_the_paste_excerpts_become_blocks_with_every_value(
    shared: Path, name: str, cut_off: int, time: str
) -> None:
    file = shared / "aoi-open" / name
    statements = statements_of(PASTE.replace("TIME", time), file)
    events = of_type(statements, ReadingPasteMeasured)
    header, *lines = [line.split(",") for line in file.read_text("utf-8").split("\n") if line]
    rows = [dict(zip(header, line, strict=True)) for line in lines]
    # One of the published anomalies: a panel whose last row is cut off. It has no figure and no time any more.
    rejected = of_type(statements, SourceRejected)
    assert [(data.code, data.value) for data in rejected] == [("match", "NaN")] * cut_off
    assert sum(data.pads for data in events) == len(rows) - cut_off
    for data in events:
        assert ("incomplete" in data.origin.flags) == bool(cut_off), "any board may lack the row"
        assert data.origin.zone_basis == "assumed"
        panel, figure = board_of(data)
        own = [row for row in rows if row["PanelID"] == panel and row["FigureID"] == f"{figure}.0"]
        columns = {column.name: column for column in data.columns}
        for column, source in (
            ("volume", "Volume(%)"),
            ("height", "Height(um)"),
            ("volume_um3", "Volume(um3)"),
        ):
            assert unpack_numbers(columns[column]).tolist() == [float(row[source]) for row in own]
        assert unpack_texts(columns["designator"]) == [row["ComponentID"] for row in own]


def test_the_three_published_anomalies_are_told(shared: Path) -> None:
    """One panel has a component too many, one stops early, the last row of one is cut off (spi_published_counts.txt).

    The original is not open; the excerpt's board stands in for a panel whose number of pads is known.
    """
    file = shared / "aoi-open" / "spi_excerpt_cleaned_all_columns.csv"
    header, *lines = [line for line in file.read_text("utf-8").split("\n") if line]
    key = ",".join(lines[0].split(",")[:2]) + ","
    board = [line for line in lines if line.startswith(key)]
    time = '{ column = "DateTime", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "saved" }'
    toml = PASTE.replace("TIME", time) + f'\n[[check]]\nfield = {len(board)}\nequals = {{ count = "pad" }}\n'
    component = board[-1].split(",")[2]

    def told(*rows: str) -> list[str]:
        content = "\n".join([header, *rows, ""])
        found = read_bytes(
            compile_mapping(toml, "open.toml"), content.encode(), file.name, adapter="open",
            modified=datetime(2022, 4, 1, tzinfo=UTC),
        )  # fmt: skip
        data = [statement.data for taking in found for statement in taking.statements]
        return [one.code if isinstance(one, SourceRejected) else one.TYPE for one in data]

    assert told(*board) == ["reading.paste_measured"]
    assert told(*board, board[-1].replace(component, "EXTRA1")) == ["count"]
    assert told(*board[:-3]) == ["count"]
    assert told(*board[:-1], board[-1][: len(key) + 8]) == ["columns", "count"]

"""What a machine writes beside what becomes of it: `samples/<mapping>/<file>` and `<file>.events.json`.

Plant, machines, boards and orders are invented. Whoever changes a mapping changes the second file and reads the
pair: BROKER_BRIDGE_GOLDEN=write writes what the samples become now.
"""

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import broker_bridge.adapters.logs
from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.adapters.logs.mapping.lookup import CompanionFile
from broker_bridge.adapters.logs.protocol.record import digest_of
from broker_bridge.events.base import Data
from broker_bridge.events.columns import unpack_numbers, unpack_texts
from broker_bridge.events.reading import ReadingPasteMeasured
from broker_bridge.simulate import PARTS, numbering

SAMPLES = Path(broker_bridge.adapters.logs.__file__).parent / "samples"
GOLDEN = ".events.json"
STATIONS = {
    "paste_inspection": "spi-1",
    "optical_inspection": "aoi-1",
    "placement_log": "place-1",
    "manual_review": "review-1",
}
MODIFIED = datetime(2026, 3, 2, 8, tzinfo=UTC)


def is_companion(path: Path) -> bool:
    return load_mapping(SAMPLES / f"{path.parent.name}.toml").lookups.matches(path.name)


CASES = sorted(
    path for path in SAMPLES.glob("*/*") if not path.name.endswith(GOLDEN) and not is_companion(path)
)


def shown(data: Data) -> dict[str, Any]:
    """Event data for people: blocks unpacked (how zstd packs them is not the mapping's affair)."""
    out: dict[str, Any] = json.loads(data.model_dump_json(exclude_none=True))
    if isinstance(data, ReadingPasteMeasured):
        del out["block"]
        out["columns"] = [
            {
                "name": column.name,
                **({"unit": column.unit} if column.unit else {}),
                "values": unpack_texts(column)
                if column.encoding == "text"
                else unpack_numbers(column).tolist(),
            }
            for column in data.columns
        ]
    return out


def takings_of(case: Path) -> list[dict[str, Any]]:
    mapping = load_mapping(SAMPLES / f"{case.parent.name}.toml")
    station = STATIONS.get(case.parent.name, "test-1")
    companions = [
        CompanionFile(path.name, digest_of(path.read_bytes()), MODIFIED, path.read_bytes())
        for path in sorted(case.parent.iterdir())
        if mapping.lookups.matches(path.name)
    ]
    reading = read_bytes(
        mapping, case.read_bytes(), case.name, adapter=station, station=station, modified=MODIFIED,
        companions=companions,
    )  # fmt: skip
    return [
        {
            "generation": taking.generation,
            "position": taking.position,
            "revision": taking.revision,
            "events": [
                {
                    "type": statement.data.TYPE,
                    "time": statement.time.isoformat().replace("+00:00", "Z"),
                    **({"subject": statement.subject} if statement.subject else {}),
                    "data": shown(statement.data),
                }
                for statement in taking.statements
            ],
        }
        for taking in reading
    ]


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.parent.name}/{case.name}")
def test_a_sample_becomes_its_events(case: Path) -> None:
    golden = case.with_name(case.name + GOLDEN)
    takings = takings_of(case)
    if os.environ.get("BROKER_BRIDGE_GOLDEN") == "write":
        golden.write_text(json.dumps(takings, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    assert takings == json.loads(golden.read_text(encoding="utf-8"))


def test_every_sample_is_a_pair_and_every_mapping_has_some() -> None:
    golden = {path.name.removesuffix(GOLDEN) for path in SAMPLES.glob(f"*/*{GOLDEN}")}
    assert golden == {case.name for case in CASES}
    assert {case.parent.name for case in CASES} == {path.stem for path in SAMPLES.glob("*.toml")}


@pytest.mark.parametrize(("mapping", "station"), [("paste_inspection", "SPI"), ("optical_inspection", "AOI")])
def test_position_tables_are_those_of_the_plant(mapping: str, station: str) -> None:
    """Outside the mapping: the invented plant's own table of how its machines count."""
    stated = {
        (table.part, table.side): dict(table.order)
        for table in load_mapping(SAMPLES / f"{mapping}.toml").file.positions
    }
    for part in PARTS:
        for side in ("top", "bottom"):
            machine = numbering(station, part.number, side)
            expected = {str(number): position for position, number in enumerate(machine, 1)}
            assert stated[part.number, side] == expected

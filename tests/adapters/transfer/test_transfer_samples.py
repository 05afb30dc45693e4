"""What a machine sends beside what becomes of it: `samples/<case>.xml` and `samples/<case>.events.json`.

The machines, boards and orders are invented. Whoever changes the mapping changes the second file and reads the pair.
"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from transfer_plant import machine, supervisor

import broker_bridge.adapters.transfer
from broker_bridge.adapters.transfer.mapping import Mapper
from broker_bridge.adapters.transfer.protocol import MessageReader, Pending

SAMPLES = Path(broker_bridge.adapters.transfer.__file__).parent / "samples"
CASES = sorted(path.stem for path in SAMPLES.glob("*.xml"))
TAKEN = datetime(2026, 3, 2, 7, 15, 36, 500_000, tzinfo=UTC)


def events_of(raw: bytes) -> list[dict[str, Any]]:
    """The statements of a sample with the number of the message each came from."""
    config = supervisor(machine(equipment="HW-EQ-0042"), zone="Europe/Berlin", labels="panel")
    mapper = Mapper(config, config.machines[0])
    reader = MessageReader()
    reader.receive_data(raw)
    events, number = [], 0
    while not isinstance(received := reader.next_message(), Pending):
        number += 1
        for statement in mapper.statements(received, TAKEN):
            data = json.loads(statement.data.model_dump_json(exclude_none=True))
            time = statement.time.isoformat().replace("+00:00", "Z")
            said = {"message": number, "type": statement.data.TYPE, "time": time}
            events.append(
                said | ({"subject": statement.subject} if statement.subject else {}) | {"data": data}
            )
    return events


@pytest.mark.parametrize("case", CASES)
def test_a_sample_becomes_its_events(case: str) -> None:
    expected = json.loads((SAMPLES / f"{case}.events.json").read_text(encoding="utf-8"))
    assert events_of((SAMPLES / f"{case}.xml").read_bytes()) == expected


def test_every_sample_is_a_pair() -> None:
    assert {path.name.removesuffix(".events.json") for path in SAMPLES.glob("*.events.json")} == set(CASES)
    assert len(CASES) >= 9

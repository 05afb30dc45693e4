"""The invented plant against its own truth: what its machines wrote, read through the sample mappings, is what was.

The truth comes from the plant's model and knows neither files nor mappings; a board appears in it by the serial
engraved on it, in the events by panel and position.
"""

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import broker_bridge.adapters.logs
from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs import load_mapping, read_bytes
from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.events.columns import unpack_texts
from broker_bridge.simulate import Plant, deliveries

SAMPLES = Path(broker_bridge.adapters.logs.__file__).parent / "samples"
STATIONS = {
    "SPI": "paste_inspection",
    "AOI": "optical_inspection",
    "JET": "paste_top_up",
    "TEST": "electrical_test",
}


class Run:
    """One run of the plant: its truth, and the events of its files."""

    def __init__(self, profile: str, *, every_pad: bool) -> None:
        self.truth: dict[str, list[dict[str, Any]]] = {}
        self.events: dict[str, list[Statement]] = {station: [] for station in STATIONS}
        self.boards: dict[tuple[str, int], str] = {}
        mappings = {station: load_mapping(SAMPLES / f"{name}.toml") for station, name in STATIONS.items()}
        plant = Plant(11, 150, profile, datetime(2026, 3, 2, 6, tzinfo=UTC), every_pad=every_pad)
        for delivery in deliveries(plant, self._true):
            if delivery.channel == "file" and delivery.station in mappings:
                reading = read_bytes(
                    mappings[delivery.station],
                    delivery.data,
                    delivery.name,
                    adapter="test",
                    modified=delivery.at,
                )
                found = [statement for taking in reading for statement in taking.statements]
                self.events[delivery.station] += found
        for line in self.truth["board"]:
            self.boards[line["panel"], line["position"]] = line["board"]

    def _true(self, kind: str, text: str) -> None:
        self.truth.setdefault(kind, []).append(json.loads(text))

    def inspections(self, station: str) -> Iterator[tuple[str, Any]]:
        """The serial and the event of every inspection of a board at a station."""
        for statement in self.events[station]:
            data: Any = statement.data
            assert data.TYPE != "source.rejected", data.reason
            if data.TYPE == "inspection.completed":
                (board,) = data.boards
                yield self.boards[board.panel.value, board.position], data


@pytest.fixture(scope="module")
def clean() -> Run:
    return Run("clean", every_pad=True)


@pytest.mark.parametrize("station", ["SPI", "AOI"])
def test_every_call_is_on_the_board_it_was_made_on(clean: Run, station: str) -> None:
    true = Counter(
        (line["board"], line["side"], line["designator"], line["termination"])
        for line in clean.truth["call"]
        if line["station"] == station
    )
    said = Counter(
        (serial, data.side, call.place.designator, int(call.place.termination or 0))
        for serial, data in clean.inspections(station)
        for call in data.calls
    )
    assert said == true
    assert sum(said.values()) > (10 if station == "AOI" else -1)


@pytest.mark.parametrize("station", ["SPI", "AOI"])
def test_every_visit_has_one_inspection_with_its_outcome(clean: Run, station: str) -> None:
    true = Counter(
        (line["board"], line["side"], line["outcome"])
        for line in clean.truth["visit"]
        if line["station"] == station
    )
    assert Counter((serial, data.side, data.outcome) for serial, data in clean.inspections(station)) == true


def test_every_test_attempt_is_there(clean: Run) -> None:
    true = Counter(
        (line["board"], line["attempt"], line["outcome"])
        for line in clean.truth["visit"]
        if line["station"] == "TEST"
    )
    said = Counter()
    for statement in clean.events["TEST"]:
        data: Any = statement.data
        said[statement.subject, data.attempt, data.outcome] += 1
    assert said == true


def test_blocks_hold_every_pad_once(clean: Run) -> None:
    for statement in clean.events["SPI"]:
        data: Any = statement.data
        if data.TYPE != "reading.paste_measured":
            continue
        columns = {column.name: column for column in data.columns}
        pads = list(
            zip(unpack_texts(columns["designator"]), unpack_texts(columns["termination"]), strict=True)
        )
        assert len(set(pads)) == len(pads) == data.pads


def test_files_dropped_again_renamed_or_compressed_on_a_bad_day_give_the_same_takings() -> None:
    mappings = {station: load_mapping(SAMPLES / f"{name}.toml") for station, name in STATIONS.items()}
    first: dict[tuple[str, str], list[Taking]] = {}
    again = Counter[str]()
    for delivery in deliveries(Plant(11, 300, "rough", datetime(2026, 3, 2, 6, tzinfo=UTC))):
        if delivery.channel != "file" or delivery.station not in mappings:
            continue
        content = decompressed(delivery.data, 10**7)
        reading = read_bytes(
            mappings[delivery.station], content, delivery.name, adapter="test", modified=delivery.at
        )
        found = [replace(taking, rawname=None) for taking in reading]
        known = first.setdefault((delivery.station, reading.generation), found)
        if known is not found:
            again["gzipped" if delivery.name.endswith(".gz") else "plain"] += 1
            assert known == found
    assert again["plain"] > 3

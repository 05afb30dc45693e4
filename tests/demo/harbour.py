"""One run of the invented plant in virtual time: its truth, and the events of everything its machines wrote.

The truth comes from the plant's model and knows neither files nor mappings; a board appears in it by the serial
engraved on it, in most events by panel and position.
"""

import json
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from typing import Any

from broker_bridge.adapters.base import Statement
from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.adapter.content import decompressed
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.demo.plant import MAPPINGS, mapping_text
from broker_bridge.simulate import Plant, Profile, deliveries

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


class Run:
    """Files as they are dropped, logs as whole files."""

    def __init__(
        self,
        profile: Profile | str,
        boards: int,
        *,
        seed: int = 11,
        stations: Collection[str] = tuple(MAPPINGS),
    ) -> None:
        self.truth: dict[str, list[dict[str, Any]]] = {}
        self.logs: dict[tuple[str, str, int], bytes] = {}
        self.events: dict[str, list[Statement]] = {station: [] for station in stations}
        self._mappings = {
            station: compile_mapping(mapping_text(station), f"{station}.toml") for station in stations
        }
        for delivery in deliveries(Plant(seed, boards, profile, START), self._true):
            if delivery.station not in self._mappings:
                continue
            if delivery.channel == "log":
                key = delivery.station, delivery.name, delivery.generation
                self.logs[key] = self.logs.get(key, b"") + delivery.data
            elif delivery.channel == "file":
                self._read(delivery.station, delivery.name, decompressed(delivery.data, 2**24), delivery.at)
        for (station, name, _), content in self.logs.items():
            self._read(station, name, content, START)
        self.serials = {
            (line["panel"], line["position"]): line["board"] for line in self.truth.get("board", ())
        }

    def _true(self, kind: str, text: str) -> None:
        self.truth.setdefault(kind, []).append(json.loads(text))

    def _read(self, station: str, name: str, content: bytes, modified: datetime) -> None:
        reading = read_bytes(self._mappings[station], content, name, adapter="test", modified=modified)
        self.events[station] += [statement for taking in reading for statement in taking.statements]

    def said(self, station: str, kind: str) -> Iterator[Any]:
        """The data of the events of a type from a station."""
        for statement in self.events[station]:
            if kind == statement.data.TYPE:
                yield statement.data

    def true(self, kind: str, station: str) -> Iterator[dict[str, Any]]:
        """The lines of the truth of a kind at a station."""
        return (line for line in self.truth[kind] if line["station"] == station)

    def serial(self, data: Any) -> str:
        """The serial of the one board an event names by panel and position."""
        (board,) = data.boards
        return self.serials[board.panel.value, board.position]

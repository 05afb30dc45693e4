"""No question reads a whole table: what grows with the record is looked up, or a hundred thousand boards take days."""

import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from memory_store import MemoryStore
from told import Told, board, call, panel, recorded

from broker_bridge.queries.balance import balance_of
from broker_bridge.queries.boards import board as history_of
from broker_bridge.queries.defects import defects
from broker_bridge.queries.record import open_with
from broker_bridge.queries.settling import settle
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.listing import Wanted
from broker_bridge.trace.recall import Asked

GROWING = (
    "names", "named", "ties", "notices", "marks", "contents", "lives", "nameless", "revocations", "boards",
    "board_names", "board_files", "passages", "carries", "called", "made_under",
)  # fmt: skip
WHOLE = (
    "SELECT board FROM boards",  # every thing, asked for as such
    "DELETE FROM use",  # tidying, once at the end
    "INSERT OR IGNORE INTO dirty",  # joins over what has just become known: their outer table is that
)
"""Statements that read a table from end to end on purpose."""


def test_every_statement_finds_its_rows_by_an_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: set[str] = set()
    connect = sqlite3.connect

    def listened(*args: Any, **more: Any) -> sqlite3.Connection:
        connection = connect(*args, **more)
        connection.set_trace_callback(said.add)
        return connection

    monkeypatch.setattr(sqlite3, "connect", listened)
    told = Told()
    for number in range(3):
        told.passes("print", f"08:0{number}:00", f"08:0{number}:30", panel(f"P{number}"), order="WO-1")
        told.inspects(
            "aoi", f"09:0{number}:00", f"09:0{number}:20", board(f"B{number}", panel=f"P{number}", position=1),
            outcome="failed", calls=[call("R1")],
        )  # fmt: skip
    told.say(
        "material.installed", "09:30:00", board("B1"), station="bench", material={"id": "R-1", "lots": ["L-1"]},
        places=[{"designator": "R1"}],
    )  # fmt: skip
    store = MemoryStore()
    recorded(store, told.facts)
    record = open_with(store.reader, tmp_path / "index.db")
    assert settle(record)
    history_of(record, "B1")
    history_of(record, "P1", kind="panel", position=1)
    where_used(record, Asked(lot="L-1"))
    where_used(record, Asked(station="aoi"))
    defects(record, Wanted())
    balance_of(record, "WO-1")
    record.index.close()
    monkeypatch.undo()
    reading = connect(tmp_path / "index.db")
    scanned = {}
    for sql in said:
        if not sql.startswith(("SELECT", "DELETE", "UPDATE", "WITH")) or sql.startswith(WHOLE):
            continue
        plan = " | ".join(row[3] for row in reading.execute(f"EXPLAIN QUERY PLAN {sql}"))
        if any(re.search(rf"\bSCAN {table}\b(?! USING)", plan) for table in GROWING):
            scanned[sql] = plan
    reading.close()
    assert len(said) > 60, "the statements were not heard"
    assert not scanned

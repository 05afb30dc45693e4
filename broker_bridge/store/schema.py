"""The record as a kind of database: its mark in the file and its numbered migrations."""

from pathlib import Path
from typing import Final

from broker_bridge.db import Kind

RECORD: Final = Kind(
    name="record",
    application_id=0x42425245,  # "BBRE"
    migrations=tuple(
        script.read_text(encoding="utf-8")
        for script in sorted((Path(__file__).parent / "migrations").glob("[0-9][0-9][0-9][0-9].sql"))
    ),
)

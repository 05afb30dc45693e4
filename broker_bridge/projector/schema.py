"""The tables of the index."""

from pathlib import Path
from typing import Final

from broker_bridge.db import Kind

INDEX: Final = Kind(
    name="index",
    application_id=0x42424958,  # "BBIX"
    migrations=(
        """
        CREATE TABLE cursor (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            record TEXT NOT NULL,
            incarnation INTEGER NOT NULL,
            commit_no INTEGER NOT NULL,
            number INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE names (
            name INTEGER PRIMARY KEY,
            kind TEXT NOT NULL,
            value TEXT NOT NULL
        ) STRICT;
        CREATE UNIQUE INDEX names_by_value ON names (value, kind);
        CREATE TABLE named (
            name INTEGER NOT NULL,
            number INTEGER NOT NULL,
            PRIMARY KEY (name, number)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE ties (
            a INTEGER NOT NULL,
            b INTEGER NOT NULL,
            first INTEGER NOT NULL,
            PRIMARY KEY (a, b)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE revised (
            source TEXT NOT NULL,
            generation TEXT NOT NULL,
            position INTEGER NOT NULL,
            number INTEGER NOT NULL,
            PRIMARY KEY (source, generation, position, number)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE notices (
            number INTEGER PRIMARY KEY,
            line TEXT NOT NULL,
            type TEXT NOT NULL,
            source TEXT NOT NULL,
            generation TEXT NOT NULL,
            since INTEGER NOT NULL,
            until INTEGER NOT NULL
        ) STRICT;
        CREATE INDEX notices_by_line ON notices (line, type, since);
        CREATE INDEX notices_by_file ON notices (source, generation, type);
        CREATE TABLE sources (
            source TEXT PRIMARY KEY,
            line TEXT NOT NULL,
            first INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID;
        """,
    ),
)


def index_path(record: Path) -> Path:
    """Where the index of a record lies."""
    return record.with_name(record.stem + ".index.db")

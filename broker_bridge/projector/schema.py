"""The tables of the index. Nothing superseded is taken out: who reads judges as of any commit."""

from pathlib import Path
from typing import Final
from zlib import crc32

from broker_bridge.db import Kind

TABLES: Final = """
CREATE TABLE cursor (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    rules TEXT NOT NULL,
    record TEXT NOT NULL,
    incarnation INTEGER NOT NULL,
    commit_no INTEGER NOT NULL,
    number INTEGER NOT NULL,
    source TEXT NOT NULL,
    event TEXT NOT NULL
) STRICT;

-- first: the first event that gives this name.
CREATE TABLE names (
    name INTEGER PRIMARY KEY,
    value TEXT NOT NULL,
    kind TEXT NOT NULL,
    first INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX names_by_value ON names (value, kind);

-- place 0: the event names a thing by it, or a whole that the thing is part of; k: it is the panel of the board at
-- position k; -1: it is the panel of a board whose position is not said.
CREATE TABLE named (
    name INTEGER NOT NULL,
    place INTEGER NOT NULL,
    number INTEGER NOT NULL,
    PRIMARY KEY (name, place, number)
) STRICT, WITHOUT ROWID;

-- relation 0: a and b name the same thing; 1: a is part of b; 2: b is part of a. position 0: not said.
CREATE TABLE ties (
    a INTEGER NOT NULL,
    relation INTEGER NOT NULL,
    b INTEGER NOT NULL,
    position INTEGER NOT NULL,
    first INTEGER NOT NULL,
    PRIMARY KEY (a, relation, b, position)
) STRICT, WITHOUT ROWID;

-- What may be missing, and what a line is declared to be; station '' where none is said; microseconds since 1970.
CREATE TABLE notices (
    number INTEGER PRIMARY KEY,
    line TEXT NOT NULL,
    type TEXT NOT NULL,
    source TEXT NOT NULL,
    generation TEXT NOT NULL,
    station TEXT NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL
) STRICT;
CREATE INDEX notices_by_line ON notices (line, type, since);
CREATE INDEX notices_by_file ON notices (source, generation, type);
CREATE INDEX notices_by_source ON notices (source, station, type, since);

CREATE TABLE sources (
    source TEXT PRIMARY KEY,
    line TEXT NOT NULL,
    first INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE revocations (
    source TEXT NOT NULL,
    event TEXT NOT NULL,
    number INTEGER NOT NULL,
    PRIMARY KEY (source, event, number)
) STRICT, WITHOUT ROWID;
"""

INDEX: Final = Kind(name="index", application_id=0x42424958, migrations=(TABLES,))  # "BBIX"

RULES: Final = f"2-{crc32(TABLES.encode()):08x}"
"""Changes with the tables; raise the number when other things are to be taken from an event. An index made by
other rules is made anew, so it never has to be migrated."""


def index_path(record: Path) -> Path:
    """Where the index of a record lies."""
    return record.with_name(record.stem + ".index.db")

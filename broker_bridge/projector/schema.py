"""The tables of the index, and of what is derived from histories.

Of the index nothing superseded is taken out: who reads judges as of any commit. What is derived holds as of the
newest commit only.
"""

from pathlib import Path
from typing import Final
from zlib import crc32

from broker_bridge.db import Kind

DAY: Final = 86_400_000_000
"""Microseconds."""

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

-- What may be missing, and what a line is declared to be; station '' where none is said; microseconds since 1970. reach: the shortest
-- of some lengths that since to until does not exceed (entries.reach).
CREATE TABLE notices (
    number INTEGER PRIMARY KEY,
    line TEXT NOT NULL,
    type TEXT NOT NULL,
    source TEXT NOT NULL,
    generation TEXT NOT NULL,
    station TEXT NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    reach INTEGER NOT NULL
) STRICT;
CREATE INDEX notices_by_line ON notices (line, reach, since, until);
CREATE INDEX notices_by_file ON notices (source, generation) WHERE type = 'source.rejected';
CREATE INDEX notices_by_source ON notices (source, type, station, since);
CREATE INDEX notices_rejected ON notices (number) WHERE type = 'source.rejected';

-- The reaches that occur in notices and passages: what touches a time is looked for reach by reach, no farther back than it.
CREATE TABLE reaches (reach INTEGER PRIMARY KEY) STRICT;

-- Which stations a source says it hears.
CREATE TABLE hearings (
    source TEXT NOT NULL,
    station TEXT NOT NULL,
    PRIMARY KEY (source, station)
) STRICT, WITHOUT ROWID;

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

-- What a station had set up, by slot: family 'slot', 'paste' (slot '') or 'program' (slot ''). proven: what is there is
-- known from here on without what was said before. jar: for paste, which container is meant; for programs
-- their name; else ''.
CREATE TABLE marks (
    place INTEGER NOT NULL,
    family TEXT NOT NULL,
    slot TEXT NOT NULL,
    since INTEGER NOT NULL,
    number INTEGER NOT NULL,
    proven INTEGER NOT NULL,
    jar TEXT NOT NULL,
    PRIMARY KEY (place, family, slot, since, number)
) STRICT, WITHOUT ROWID;

-- Every family and slot of which a station ever said anything.
CREATE TABLE slots (
    place INTEGER NOT NULL,
    family TEXT NOT NULL,
    slot TEXT NOT NULL,
    first INTEGER NOT NULL,
    PRIMARY KEY (place, family, slot)
) STRICT, WITHOUT ROWID;

CREATE TABLE places (
    place INTEGER PRIMARY KEY,
    line TEXT NOT NULL,
    station TEXT NOT NULL,
    UNIQUE (line, station)
) STRICT;

CREATE TABLE mark_sources (
    place INTEGER NOT NULL,
    source TEXT NOT NULL,
    first INTEGER NOT NULL,
    PRIMARY KEY (place, source)
) STRICT, WITHOUT ROWID;

-- Which lots a reel or container holds, by the first event that says so; lots as a JSON list.
CREATE TABLE contents (
    id TEXT NOT NULL,
    lots TEXT NOT NULL,
    first INTEGER NOT NULL,
    PRIMARY KEY (id, lots)
) STRICT, WITHOUT ROWID;

-- What is said of the life of a reel or container: exposures and expiries.
CREATE TABLE lives (
    id TEXT NOT NULL,
    number INTEGER NOT NULL,
    PRIMARY KEY (id, number)
) STRICT, WITHOUT ROWID;

-- Material used at a station by a board that no identifier names: word is a lot or container, '' where not even that
-- is known; part '' where it is not stated.
CREATE TABLE nameless (
    word TEXT NOT NULL,
    part TEXT NOT NULL,
    number INTEGER NOT NULL,
    line TEXT NOT NULL,
    station TEXT NOT NULL,
    since INTEGER NOT NULL,
    PRIMARY KEY (word, part, number)
) STRICT, WITHOUT ROWID;

-- The revisions in which records of a generation came; where there are several, not every event holds.
CREATE TABLE revisions (
    source TEXT NOT NULL,
    generation TEXT NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (source, generation, revision)
) STRICT, WITHOUT ROWID;

-- Columns about many boards: rows of fixed size (module said), as they were taken in, joined; first: the first event.
CREATE TABLE columns (
    stream TEXT NOT NULL,
    first INTEGER NOT NULL,
    body BLOB NOT NULL,
    PRIMARY KEY (stream, first)
) STRICT;

-- Texts of columns, by number.
CREATE TABLE words (
    word INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
) STRICT;

-- The events of raw records that came in several revisions: not every one of them holds.
CREATE TABLE doubted (number INTEGER PRIMARY KEY) STRICT;

-- Raw records that came in several revisions: of these not every event holds.
CREATE TABLE revised (
    source TEXT NOT NULL,
    generation TEXT NOT NULL,
    position INTEGER NOT NULL,
    PRIMARY KEY (source, generation, position)
) STRICT, WITHOUT ROWID;
"""

SETTLED: Final = """
-- Derived from the histories of boards, as of the cursor once nothing is dirty.

-- name: an identifier of which something new was said.
CREATE TABLE dirty (name INTEGER PRIMARY KEY) STRICT;

-- What was set up at a station, or what may be missing there, became known for a time: who passed meanwhile is dirty.
-- station '': any of the line.
CREATE TABLE dirty_windows (
    line TEXT NOT NULL,
    station TEXT NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    PRIMARY KEY (line, station, since, until)
) STRICT, WITHOUT ROWID;

-- A station of which something of a kind was said for the first time: all who ever passed it are dirty.
CREATE TABLE dirty_places (
    line TEXT NOT NULL,
    station TEXT NOT NULL,
    PRIMARY KEY (line, station)
) STRICT, WITHOUT ROWID;

CREATE TABLE dirty_containers (id TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;

-- What events are filed under (a magazine, the declarations of a line), and the boards whose history reads it.
CREATE TABLE dirty_files (file TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;

CREATE TABLE board_files (
    file TEXT NOT NULL,
    board INTEGER NOT NULL,
    PRIMARY KEY (file, board)
) STRICT, WITHOUT ROWID;
CREATE INDEX board_files_by_board ON board_files (board);

-- Identifiers that name too much to tell anything apart: not followed.
CREATE TABLE crowded (name INTEGER PRIMARY KEY) STRICT;

-- The things of which a history was made. Their key: an identifier, or a panel's with a position (0: none).
-- state: in_process, left_line, held, shipped, scrapped, returned. station: where it was last seen; since: from when, or when it
-- left; line_end: what it left behind it last.
CREATE TABLE boards (
    board INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    value TEXT NOT NULL,
    position INTEGER NOT NULL,
    unit TEXT NOT NULL,
    panel TEXT,
    panel_position INTEGER,
    part TEXT,
    revision TEXT,
    work_orders TEXT,
    purpose TEXT,
    state TEXT NOT NULL,
    station TEXT,
    there INTEGER NOT NULL,
    since INTEGER,
    line_end TEXT,
    first INTEGER,
    last INTEGER,
    doubts INTEGER NOT NULL,
    UNIQUE (kind, value, position)
) STRICT;

-- All names a thing goes by, so that it is found again when something new is said of one of them.
CREATE TABLE board_names (
    name INTEGER NOT NULL,
    board INTEGER NOT NULL,
    PRIMARY KEY (name, board)
) STRICT, WITHOUT ROWID;
CREATE INDEX board_names_by_board ON board_names (board);

-- Instants in microseconds since 1970. until: last seen there; latest: gone from there by then (NULL: nothing shows that
-- it has left).
-- reach: the shortest of some lengths that since to latest (else until) does not exceed (entries.reach).
-- silent 1: the station tells what it puts on boards, and said nothing of this one.
-- needs_since, needs_until: the time whose set-ups and gaps decide what it took along there; NULL: none.
CREATE TABLE passages (
    board INTEGER NOT NULL,
    visit INTEGER NOT NULL,
    line TEXT NOT NULL,
    station TEXT NOT NULL,
    equipment TEXT,
    lane INTEGER,
    side TEXT,
    pass INTEGER NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    latest INTEGER,
    program TEXT,
    program_revision TEXT,
    outcome TEXT,
    certainty TEXT NOT NULL,
    probability REAL,
    why TEXT,
    silent INTEGER NOT NULL,
    needs_since INTEGER,
    needs_until INTEGER,
    reach INTEGER NOT NULL,
    PRIMARY KEY (board, visit)
) STRICT, WITHOUT ROWID;
CREATE INDEX passages_by_station ON passages (line, station, reach, since);
CREATE INDEX passages_silent ON passages (line, station, reach, since) WHERE silent;
CREATE INDEX passages_staying ON passages (line, station, since) WHERE latest IS NULL;
CREATE INDEX passages_by_line ON passages (line, reach, since);
CREATE INDEX passages_by_need ON passages (line, station, needs_until) WHERE needs_until IS NOT NULL;
CREATE INDEX passages_by_program ON passages (program, program_revision);
CREATE INDEX passages_by_equipment ON passages (equipment);

-- The lines on which a station was ever passed.
CREATE TABLE passed (
    station TEXT NOT NULL,
    line TEXT NOT NULL,
    PRIMARY KEY (station, line)
) STRICT, WITHOUT ROWID;

-- One use of material or of a tool, shared by all boards of which it is told in the same words. said: the whole of it as
-- JSON. now: the board still carries it (0: removed, replaced, washed off; tools and chemistry 0). kind: material, tool, or program
-- where the visit it ran in is doubtful (else the passage tells it).
CREATE TABLE uses (
    use INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    station TEXT,
    side TEXT,
    slot TEXT,
    part TEXT,
    certainty TEXT NOT NULL,
    probability REAL,
    why TEXT,
    confirm TEXT,
    now INTEGER NOT NULL,
    said TEXT NOT NULL UNIQUE
) STRICT;

-- What a use is found by: kind reel, lot, date_code, part, maker_part, receipt, feeder, nozzle, stencil, fixture ...
-- kind unknown: the value is the part number of which any reel and lot may be meant.
CREATE TABLE use_words (
    value TEXT NOT NULL,
    kind TEXT NOT NULL,
    use INTEGER NOT NULL,
    PRIMARY KEY (value, kind, use)
) STRICT, WITHOUT ROWID;

CREATE TABLE carries (
    use INTEGER NOT NULL,
    board INTEGER NOT NULL,
    since INTEGER NOT NULL,
    until INTEGER,
    PRIMARY KEY (use, board, since)
) STRICT, WITHOUT ROWID;
CREATE INDEX carries_by_board ON carries (board);

-- Defects and unjudged calls as they are listed (trace.listing.Row). said: the whole row as JSON.
CREATE TABLE called (
    board INTEGER NOT NULL,
    place INTEGER NOT NULL,
    called INTEGER NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (board, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX called_by_time ON called (called);

-- The work orders a board was made under. said: what their balance needs of it (trace.balance.Course), as JSON.
CREATE TABLE made_under (
    work_order TEXT NOT NULL,
    board INTEGER NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (work_order, board)
) STRICT, WITHOUT ROWID;
CREATE INDEX made_under_by_board ON made_under (board);

-- The days (since 1970, UTC) of which passages, carries or called have changed, and when: a stamp that only grows, also
-- from one index to the next.
CREATE TABLE changed_days (
    day INTEGER PRIMARY KEY,
    stamp INTEGER NOT NULL
) STRICT;
CREATE INDEX changed_days_by_stamp ON changed_days (stamp);
CREATE INDEX passages_by_time ON passages (since);
CREATE INDEX carries_by_time ON carries (since);
"""

INDEX: Final = Kind(name="index", application_id=0x42424958, migrations=(TABLES + SETTLED,))  # "BBIX"

RULES: Final = f"7-{crc32((TABLES + SETTLED).encode()):08x}"
"""Changes with the tables; raise the number when other things are to be taken from an event. An index made by
other rules is made anew, so it never has to be migrated."""


def index_path(record: Path) -> Path:
    """Where the index of a record lies."""
    return record.with_name(record.stem + ".index.db")

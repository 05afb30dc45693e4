-- The record, version 1. Instants are microseconds since 1970, UTC. Names are told once and numbered as they
-- come, so that the index of events grows at its end: random keys made inserts three times slower.

CREATE TABLE record (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    name TEXT NOT NULL,
    incarnation INTEGER NOT NULL,
    created INTEGER NOT NULL
) STRICT;

CREATE TABLE sources (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE types (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE generations (
    number INTEGER PRIMARY KEY,
    source INTEGER NOT NULL REFERENCES sources,
    name TEXT NOT NULL,
    UNIQUE (source, name)
) STRICT;

-- Progress of each epoch of a source: 1..contiguous and the ranges above (JSON, [[first, last], ...]) are committed.
CREATE TABLE epochs (
    number INTEGER PRIMARY KEY,
    source INTEGER NOT NULL REFERENCES sources,
    epoch INTEGER NOT NULL,
    contiguous INTEGER NOT NULL,
    above TEXT NOT NULL,
    last INTEGER NOT NULL,
    closed INTEGER NOT NULL CHECK (closed IN (0, 1)),
    UNIQUE (source, epoch)
) STRICT;

CREATE TABLE commits (
    number INTEGER PRIMARY KEY,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    committed_at INTEGER NOT NULL
) STRICT;

-- No foreign keys here: four look-ups a row are felt. `verify` checks every row against its body instead.
-- leaf is sha256(0x00 || bytes as received); encoding 0 holds these bytes, 1 holds them zstd-compressed.
CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    commit_no INTEGER NOT NULL,
    generation INTEGER NOT NULL,
    position INTEGER NOT NULL,
    ordinal INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    type INTEGER NOT NULL,
    time INTEGER NOT NULL,
    epoch INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    encoding INTEGER NOT NULL,
    leaf BLOB NOT NULL,
    body BLOB NOT NULL
) STRICT;

CREATE UNIQUE INDEX events_by_id ON events (generation, position, ordinal, revision);

-- Same id, other content. `content` is the digest of what the comparison counts: equal ones are counted.
CREATE TABLE conflicts (
    number INTEGER PRIMARY KEY,
    event INTEGER NOT NULL REFERENCES events,
    commit_no INTEGER NOT NULL,
    first_seen INTEGER NOT NULL,
    last_seen INTEGER NOT NULL,
    times INTEGER NOT NULL,
    content BLOB NOT NULL,
    encoding INTEGER NOT NULL,
    leaf BLOB NOT NULL,
    body BLOB NOT NULL,
    UNIQUE (event, content)
) STRICT;

-- Events whose sequence number had been given to another event.
CREATE TABLE reused (event INTEGER PRIMARY KEY REFERENCES events) STRICT;

-- Ranges that a source.gap event closed.
CREATE TABLE closures (
    event INTEGER PRIMARY KEY REFERENCES events,
    epoch INTEGER NOT NULL REFERENCES epochs,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL
) STRICT;

CREATE TABLE refusals (
    number INTEGER PRIMARY KEY,
    topic TEXT NOT NULL,
    code TEXT NOT NULL,
    reason TEXT NOT NULL,
    source TEXT,
    epoch INTEGER,
    sequence INTEGER,
    commit_no INTEGER NOT NULL,
    first_seen INTEGER NOT NULL,
    last_seen INTEGER NOT NULL,
    times INTEGER NOT NULL,
    resolved INTEGER,
    encoding INTEGER NOT NULL,
    leaf BLOB NOT NULL,
    body BLOB NOT NULL,
    UNIQUE (topic, leaf)
) STRICT;

CREATE INDEX refusals_by_sequence ON refusals (source, epoch, sequence) WHERE sequence IS NOT NULL;

CREATE TABLE source_states (
    source INTEGER PRIMARY KEY REFERENCES sources,
    received_at INTEGER NOT NULL,
    state BLOB NOT NULL
) STRICT;

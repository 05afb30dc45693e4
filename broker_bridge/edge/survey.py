"""What an outbox holds, read from outside: for `check`, while the edge runs or while it does not."""

import fcntl
from pathlib import Path
from typing import NamedTuple

from broker_bridge.db import open_reader
from broker_bridge.edge.outbox import KIND, place


class Holding(NamedTuple):
    """One source's share of an outbox."""

    source: str
    last: int
    receipted: int
    backlog: int
    backlog_bytes: int
    oldest_ms: int | None
    """When the oldest event that no record has was taken in, milliseconds since 1970; None without backlog."""
    requests: int
    """Requests of people that wait for an answer."""


def holdings(path: Path) -> list[Holding]:
    """What is held of every source. Raises NotFound when there is no outbox yet, StoreError as `open_reader`."""
    connection = open_reader(path, KIND)
    try:
        connection.execute("BEGIN")
        found = []
        for number, source, last, receipted in connection.execute(
            "SELECT source_no, source, last, receipted FROM sources ORDER BY source"
        ).fetchall():
            span = (place(number, receipted + 1), place(number, last))
            count, size, oldest = connection.execute(
                "SELECT count(*), coalesce(sum(length(body)), 0), min(taken_ms) FROM events"
                " WHERE place BETWEEN ? AND ?",
                span,
            ).fetchone()
            waiting = connection.execute(
                "SELECT count(*) FROM requests WHERE source = ? AND answered_ms IS NULL", (source,)
            ).fetchone()[0]
            found.append(Holding(source, last, receipted, count, size, oldest, waiting))
        return found
    finally:
        connection.close()


def kept(path: Path, source: str, prefix: str) -> dict[str, bytes]:
    """What the adapter of a source keeps under keys that begin with `prefix`. Raises as `holdings` does."""
    connection = open_reader(path, KIND)
    try:
        rows = connection.execute(
            "SELECT key, value FROM state JOIN sources USING (source_no) WHERE source = ? AND substr(key, 1, ?) = ?",
            (source, len(prefix), prefix),
        )
        return dict(rows.fetchall())
    finally:
        connection.close()


def in_use(path: Path) -> bool:
    """Whether a process holds the database at `path` for writing right now."""
    beside = path.with_name(path.name + ".lock")
    try:
        with beside.open("r", encoding="ascii") as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except BlockingIOError:
        return True
    return False

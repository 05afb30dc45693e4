"""What an outbox holds, read from outside: for `check`, while the edge runs or while it does not."""

import fcntl
from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
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


def intake(path: Path, at_ms: Sequence[int]) -> list[float]:
    """About how many bytes of events were taken in between each two of these instants. Raises as `holdings` does.

    Only what is still held counts. A source's events lie in the order they were taken in, so a few looks find each
    instant; sizes are those of its youngest events on average.
    """
    connection = open_reader(path, KIND)
    try:
        connection.execute("BEGIN")
        grown = [0.0] * (len(at_ms) - 1)
        for (number,) in connection.execute("SELECT source_no FROM sources").fetchall():
            span = place(number, 0), place(number + 1, 0) - 1
            first, last = connection.execute(
                "SELECT min(place), max(place) FROM events WHERE place BETWEEN ? AND ?", span
            ).fetchone()
            if first is None:
                continue
            (size,) = connection.execute(
                "SELECT avg(length(body)) FROM (SELECT body FROM events WHERE place BETWEEN ? AND ? ORDER BY place DESC"
                " LIMIT 200)",
                span,
            ).fetchone()

            def taken(at: int) -> int:
                found: int = connection.execute(
                    "SELECT taken_ms FROM events WHERE place >= ? LIMIT 1", (at,)
                ).fetchone()[0]
                return found

            counts = [bisect_left(range(first, last + 1), instant, key=taken) for instant in at_ms]
            for bin_no, (earlier, later) in enumerate(pairwise(counts)):
                grown[bin_no] += size * (later - earlier)
        return grown
    finally:
        connection.close()


def oldest(path: Path) -> int | None:
    """When the oldest event that is still held was taken in, in ms; None where none is. Raises as `holdings` does."""
    connection = open_reader(path, KIND)
    try:
        taken = [
            connection.execute(
                "SELECT taken_ms FROM events WHERE place BETWEEN ? AND ? LIMIT 1",
                (place(number, 0), place(number + 1, 0) - 1),
            ).fetchone()
            for (number,) in connection.execute("SELECT source_no FROM sources").fetchall()
        ]
    finally:
        connection.close()
    return min((int(row[0]) for row in taken if row is not None), default=None)


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
    return holder(path) is not None


def holder(path: Path) -> str | None:
    """The process that holds the database at `path` for writing right now, by its id; None when none does."""
    beside = path.with_name(path.name + ".lock")
    try:
        with beside.open("r", encoding="ascii", errors="replace") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                return file.read().strip() or "unknown"
    except FileNotFoundError:
        return None
    return None

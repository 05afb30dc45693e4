"""Proof that a record holds what was committed: every body against its leaf hash, every row against its body.

The hash covers the bytes as received; the columns beside it are an index made from these bytes, and a wrong
index gives wrong answers, so it is compared too.
"""

import sqlite3
from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final

import orjson

from broker_bridge.errors import RecordDamaged
from broker_bridge.store.instants import microseconds
from broker_bridge.store.leaf import leaf
from broker_bridge.store.packing import UNREADABLE, unpack

_TICK: Final = 1000
"""Events between two signs of life."""

_EVENTS: Final = (
    "SELECT e.number, e.encoding, e.body, e.leaf, e.commit_no, e.sequence, e.time, s.name, g.name, e.position,"
    " e.ordinal, e.revision, t.name, p.epoch, c.first, c.last FROM events AS e"
    " LEFT JOIN generations AS g ON g.number = e.generation LEFT JOIN sources AS s ON s.number = g.source"
    " LEFT JOIN types AS t ON t.number = e.type LEFT JOIN epochs AS p ON p.number = e.epoch"
    " LEFT JOIN commits AS c ON c.number = e.commit_no WHERE e.number > ? ORDER BY e.number LIMIT ?"
)


def findings(connection: sqlite3.Connection) -> Iterator[str | None]:
    """A sentence for everything that is not as it was committed, None every thousand events.

    Reads in short pieces, so that it can run for hours beside a writer.
    """
    try:
        yield from _events(connection)
        for table, what in (("conflicts", "conflict"), ("refusals", "refusal")):
            yield from _others(connection, table, what)
        for (verdict,) in connection.execute("PRAGMA quick_check(100)").fetchall():
            if verdict != "ok":
                yield f"database: {verdict}"
    except sqlite3.DatabaseError as error:
        yield f"the database cannot be read any further: {error}"


def _events(connection: sqlite3.Connection) -> Iterator[str | None]:
    end = connection.execute("SELECT coalesce(max(last), 0) FROM commits").fetchone()[0]
    done = 0
    while rows := connection.execute(_EVENTS, (done, _TICK)).fetchall():
        for row in rows:
            if row[0] != done + 1:
                yield f"events {done + 1} to {row[0] - 1} are gone"
            done = row[0]
            if (finding := _examined(row)) is not None:
                yield f"event {done}: {finding}"
        yield None
    if done < end:
        yield f"events {done + 1} to {end} are gone"


def _examined(row: tuple[Any, ...]) -> str | None:
    try:
        return _event(row)
    except UNREADABLE as error:
        return f"it cannot be read: {error!r}"


def _event(row: tuple[Any, ...]) -> str | None:
    number, encoding, stored, hashed, commit, sequence, time, source, *native, kind, epoch, first, last = row
    try:
        body = unpack(encoding, stored)
    except RecordDamaged as error:
        return str(error)
    if leaf(body) != hashed:
        committed = hashed.hex() if isinstance(hashed, bytes) else repr(hashed)
        return f"its bytes are not those that were committed (hash {leaf(body).hex()}, committed {committed})"
    if first is None or not first <= number <= last:
        return f"it is not among the events of its commit {commit}"
    document = orjson.loads(body)
    told = {
        "source": (document["source"], source),
        "id": (document["id"], ".".join(map(str, native))),
        "type": (document["type"], kind),
        "epoch": (int(document["epoch"]), epoch),
        "sequence": (int(document["sequence"]), sequence),
        "time": (microseconds(datetime.fromisoformat(document["time"])), time),
    }
    wrong = [
        f"{name} is {mine!r}, its bytes say {theirs!r}"
        for name, (theirs, mine) in told.items()
        if theirs != mine
    ]
    return f"its index is wrong: {'; '.join(wrong)}" if wrong else None


def _others(connection: sqlite3.Connection, table: str, what: str) -> Iterator[str | None]:
    done = 0
    sql = f"SELECT number, encoding, body, leaf FROM {table} WHERE number > ? ORDER BY number LIMIT 100"
    while rows := connection.execute(sql, (done,)).fetchall():
        for number, encoding, stored, hashed in rows:
            done = number
            try:
                sound = leaf(unpack(encoding, stored)) == hashed
            except (RecordDamaged, *UNREADABLE):
                sound = False
            if not sound:
                yield f"{what} {number}: its bytes are not those that were committed"
        yield None

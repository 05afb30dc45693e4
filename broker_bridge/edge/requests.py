"""What people ask of a source, kept on disk until it is answered.

A command runs in another process than the edge, or while no edge runs: so a request is a row in the outbox,
and the source's adapter answers it when it comes by.
"""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from broker_bridge.db import open_reader, open_writer, transaction
from broker_bridge.edge.outbox import KIND, place


async def ask(path: Path, source: str, action: str, arguments: Mapping[str, str], now: datetime) -> int:
    """Put a request into the outbox at `path`; returns its number."""
    connection = await open_writer(path, KIND)
    try:
        async with transaction(connection):
            cursor = await connection.execute(
                "INSERT INTO requests (source, action, arguments, asked_ms) VALUES (?, ?, ?, ?)",
                (source, action, json.dumps(arguments), int(now.timestamp() * 1000)),
            )
            number = cursor.lastrowid
    finally:
        await connection.close()
    if number is None:
        raise RuntimeError("SQLite gave no number to the request")
    return number


async def withdraw(path: Path, number: int, now: datetime) -> bool:
    """Take back a request that nobody has answered; False when it was answered meanwhile."""
    connection = await open_writer(path, KIND)
    try:
        async with transaction(connection):
            cursor = await connection.execute(
                "UPDATE requests SET answered_ms = ?, outcome = 'withdrawn' WHERE number = ? AND answered_ms IS NULL",
                (int(now.timestamp() * 1000), number),
            )
            return cursor.rowcount == 1
    finally:
        await connection.close()


def receipted(path: Path, source: str, event_id: str) -> bool:
    """Whether a record has given its receipt for an event that this outbox took, as far as the outbox still holds it."""
    connection = open_reader(path, KIND)
    try:
        row = connection.execute(
            "SELECT source_no, receipted FROM sources WHERE source = ?", (source,)
        ).fetchone()
        if row is None:
            return False
        waiting = connection.execute(
            "SELECT body FROM events WHERE place > ? AND place < ?",
            (place(row[0], row[1]), place(row[0] + 1, 0)),
        )
        return all(json.loads(body)["id"] != event_id for (body,) in waiting)
    finally:
        connection.close()


def outcome(path: Path, number: int) -> str | None:
    """The answer to a request, None while there is none."""
    connection = open_reader(path, KIND)
    try:
        row = connection.execute("SELECT outcome FROM requests WHERE number = ?", (number,)).fetchone()
    finally:
        connection.close()
    return None if row is None or row[0] is None else str(row[0])

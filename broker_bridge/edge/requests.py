"""What people ask of a source, kept on disk until it is answered.

A command runs in another process than the edge, or while no edge runs: so a request is a row in the outbox,
and the source's adapter answers it when it comes by.
"""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from broker_bridge.db import open_reader, open_writer, transaction
from broker_bridge.edge.outbox import KIND


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


def outcome(path: Path, number: int) -> str | None:
    """The answer to a request, None while there is none."""
    connection = open_reader(path, KIND)
    try:
        row = connection.execute("SELECT outcome FROM requests WHERE number = ?", (number,)).fetchone()
    finally:
        connection.close()
    return None if row is None or row[0] is None else str(row[0])

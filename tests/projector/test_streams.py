"""Rows that come a few at a time are there as they came, in few pieces, whoever began to write them."""

import random
import sqlite3

from broker_bridge.projector.schema import TABLES
from broker_bridge.projector.streams import Streams


def test_a_stream_is_what_was_appended_in_few_pieces_each_written_a_few_times() -> None:
    connection = sqlite3.connect(":memory:")
    connection.executescript(TABLES)
    written: list[int] = []
    chance = random.Random(7)
    streams = Streams()
    whole = b""
    for first in range(1, 5001):
        rows = [bytes([chance.randrange(256)]) * 116 for _ in range(chance.choice([1, 1, 1, 2, 30]))]
        for row in rows:
            streams.add("said", row)
        whole += b"".join(rows)
        before = connection.total_changes
        streams.write(connection, first)
        written.append(connection.total_changes - before)
        if chance.random() < 0.01:
            streams = Streams()  # another process goes on
    pieces = connection.execute("SELECT body FROM columns WHERE stream = 'said' ORDER BY first").fetchall()
    assert b"".join(body for (body,) in pieces) == whole
    assert len(pieces) < 32 * 4
    assert sum(written) < 3 * 5000, "each piece is joined a few times, not with every step"


def test_what_was_not_written_is_forgotten() -> None:
    connection = sqlite3.connect(":memory:")
    connection.executescript(TABLES)
    streams = Streams()
    streams.add("said", b"x" * 116)
    streams.clear()
    streams.write(connection, 1)
    assert connection.execute("SELECT count(*) FROM columns").fetchone() == (0,)

"""The list of pitfalls names tests that are there; and one of them that has no better place."""

import asyncio
import re
import sqlite3
from contextlib import closing
from pathlib import Path

from campaigning import FOLDER, ROOT

from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader


def test_every_test_that_is_named_is_there() -> None:
    named = re.findall(
        r"`(tests/[\w/]+\.py)(?:::(\w+))?`", (FOLDER / "PITFALLS.md").read_text(encoding="utf-8")
    )
    assert len(named) > 40
    for path, test in named:
        text = (ROOT / path).read_text(encoding="utf-8")
        assert not test or f"def {test}(" in text, f"{path} has no {test}"


def test_a_reader_between_two_questions_holds_nothing(tmp_path: Path) -> None:
    async def life() -> None:
        store = await SqliteStore.open(tmp_path / "record.db", "record")
        try:
            reader = SqliteReader(tmp_path / "record.db")
            reader.head()
            reader.after(0, 10)
            with closing(sqlite3.connect(tmp_path / "record.db", isolation_level=None)) as other:
                busy = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            assert busy == 0, "nobody is in the way of emptying the log"
            reader.close()
        finally:
            await store.close()
        assert not (tmp_path / "record.db-wal").exists()

    asyncio.run(life())

"""The index: built at once or kept up, by one or by several, it is the same; and it is never more than a copy."""

import contextlib
import copy
import sqlite3
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lives import lives
from memory_store import MemoryReader, MemoryStore
from told import Told, board, recorded

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.events.fact import Fact
from broker_bridge.projector import builder
from broker_bridge.projector.builder import Builder, catch_up
from broker_bridge.projector.index import Index
from broker_bridge.projector.said import NAME, ROW, TIE
from broker_bridge.projector.schema import RULES
from broker_bridge.store.base import Head
from broker_bridge.trace.mentions import Node

TABLES = (
    "cursor", "names", "named", "ties", "notices", "sources", "revocations", "revisions", "revised", "doubted", "words",
)  # fmt: skip


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of an index."""
    connection = sqlite3.connect(path)
    try:
        rows: dict[str, list[tuple[object, ...]]] = {
            table: sorted(connection.execute(f"SELECT * FROM {table}")) for table in TABLES
        }
        for stream, row in (("said", ROW), ("names", NAME), ("ties", TIE)):
            found = connection.execute("SELECT body FROM columns WHERE stream = ? ORDER BY first", (stream,))
            rows[f"stream {stream}"] = list(row.iter_unpack(b"".join(body for (body,) in found)))
        # A tie comes again where another writer or a new process takes over.
        ties = {tie[1:]: tie for tie in reversed(rows["stream ties"])}
        rows["stream ties"] = sorted(ties.values())
        return rows
    finally:
        connection.close()


def boards(*values: str) -> list[Fact]:
    told = Told()
    for value in values:
        told.say("board.arrived", "10:00:00", board(value), station="aoi", how="unknown")
    return told.facts


@settings(max_examples=25)
@given(lives(), st.integers(1, 4), st.integers(1, 3))
def test_kept_up_is_rebuilt_from_nothing(facts: list[Fact], step: int, writers: int) -> None:
    """Whatever the steps and whoever takes them, commit by commit or all at once."""
    commits = sorted({fact.commit for fact in facts})
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(builder, "STEP", step)
        store, kept, anew = MemoryStore(), Path(folder) / "kept.db", Path(folder) / "anew.db"
        several = [Builder(kept, store.reader, busy_ms=1000) for _ in range(writers)]
        for place, commit in enumerate(commits):
            recorded(store, [fact for fact in facts if fact.commit == commit])
            one = several[place % writers]
            while one.step():
                assert one.number == store.reader.last_number(one.commit)
        for one in several:
            one.close()
        patch.setattr(builder, "STEP", 1000)
        assert catch_up(store.reader, anew) == len(commits)
        assert content(kept) == content(anew)


def test_nothing_is_done_twice(tmp_path: Path) -> None:
    store = MemoryStore()
    recorded(store, boards("A", "B"))
    told: list[tuple[int, int]] = []
    catch_up(store.reader, tmp_path / "i.db", lambda done, there: told.append((done, there)))
    catch_up(store.reader, tmp_path / "i.db", lambda done, there: told.append((done, there)))
    assert told == [(2, 2)]


def test_a_restored_record_is_indexed_anew(tmp_path: Path) -> None:
    path = tmp_path / "i.db"
    before, after = MemoryStore(), MemoryStore()
    recorded(before, boards("A", "B", "C"))
    recorded(after, boards("A", "X"))
    catch_up(before.reader, path)
    catch_up(after.reader, path)
    index = Index(path)
    assert [len(index.nodes(value, 99)) for value in ("A", "B", "X")] == [1, 0, 1]
    index.close()


def test_another_event_under_the_same_number_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "i.db"
    before, after = MemoryStore(), MemoryStore()
    recorded(before, boards("A"))
    told = Told()
    told.say("board.arrived", "10:00:00", board("Z"), station="spi", how="unknown")
    recorded(after, [*told.facts, *boards("Y", "X")])
    catch_up(before.reader, path)
    catch_up(after.reader, path)
    index = Index(path)
    assert index.nodes("A", 99) == []
    assert index.nodes("Z", 99) == [Node("board", "Z")]
    index.close()


@pytest.mark.parametrize("found", [b"", b"no database at all" * 100, "another's", "other rules", "newer"])
def test_what_is_no_index_of_this_program_is_made_anew(tmp_path: Path, found: bytes | str) -> None:
    path = tmp_path / "i.db"
    if isinstance(found, bytes):
        path.write_bytes(found)
    else:
        connection = sqlite3.connect(path)
        if found == "another's":
            connection.execute("CREATE TABLE cursor (rules TEXT)")
        else:
            connection.execute("CREATE TABLE cursor (rules TEXT, something INTEGER)")
            connection.execute("INSERT INTO cursor VALUES ('0', 7)")
            connection.execute("CREATE TABLE names (name TEXT)")
            connection.execute(f"PRAGMA application_id={0x42424958}")
            connection.execute(f"PRAGMA user_version={1 if found == 'other rules' else 99}")
        connection.commit()
        connection.close()
    with pytest.raises(NotFound):
        Index(path)
    store = MemoryStore()
    recorded(store, boards("A"))
    catch_up(store.reader, path)
    index = Index(path)
    assert index.nodes("A", 9) == [Node("board", "A")]
    index.close()
    (row,) = content(path)["cursor"]
    assert row[1] == RULES


def test_one_writes_at_a_time_and_the_other_is_told(tmp_path: Path) -> None:
    path, store = tmp_path / "i.db", MemoryStore()
    recorded(store, boards("A"))
    catch_up(store.reader, path)
    recorded(store, boards("A", "B")[1:])
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="another process is writing"):
        catch_up(store.reader, path, wait_s=0.01)
    holder.execute("ROLLBACK")
    holder.close()
    assert catch_up(store.reader, path, wait_s=0.01) == 2


def test_an_index_that_another_has_brought_further_meanwhile_is_not_made_anew(tmp_path: Path) -> None:
    """A reader brings the index up while the projector does, and the record grows: none of them starts again."""
    path, store = tmp_path / "i.db", MemoryStore()
    facts = boards("A", "B", "C")
    recorded(store, facts[:1])
    catch_up(store.reader, path)
    with sqlite3.connect(path) as marking:
        marking.execute("INSERT INTO words (text) VALUES ('made once')")
    marking.close()
    other = Builder(path, store.reader, busy_ms=10)

    class Overtaken(MemoryReader):
        def head(self) -> Head:
            found: Head = super().head()
            if found.number < len(facts):
                recorded(store, facts[found.number : found.number + 1])
                with contextlib.suppress(StoreUnavailable):
                    other.step()
            return found

    overtaken = copy.copy(store.reader)
    overtaken.__class__ = Overtaken
    one = Builder(path, overtaken, busy_ms=1000)
    while one.step():
        pass
    one.close()
    other.close()
    catch_up(store.reader, path)
    assert ("made once",) in [row[1:] for row in content(path)["words"]]
    assert len(content(path)["names"]) == 2


def test_a_step_that_fails_leaves_the_index_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, store = tmp_path / "i.db", MemoryStore()
    recorded(store, boards("A"))
    writer = Builder(path, store.reader, busy_ms=10)
    while writer.step():
        pass
    before = content(path)
    recorded(store, boards("A", "B")[1:])
    with monkeypatch.context() as patch:
        patch.setattr(writer, "_finish", lambda facts, commit: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            writer.step()
    assert content(path) == before
    assert writer.step()
    assert not writer.step()
    writer.close()
    assert [row[1] for row in content(path)["names"]] == ["A", "B"]


def test_a_damaged_index_says_what_to_do(tmp_path: Path) -> None:
    path, store = tmp_path / "i.db", MemoryStore()
    recorded(store, boards(*(f"B{number}" for number in range(500))))
    catch_up(store.reader, path)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    raw = bytearray(path.read_bytes())
    raw[4096:] = b"\xff" * (len(raw) - 4096)
    path.write_bytes(raw)
    recorded(store, boards(*(f"B{number}" for number in range(501)))[-1:])
    with pytest.raises(StoreUnavailable, match="delete it, it is made anew"):
        catch_up(store.reader, path)

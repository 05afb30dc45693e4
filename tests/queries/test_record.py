"""Opening a record: its index is brought up, or answers say as of when they are."""

import asyncio
import sqlite3
from pathlib import Path

import pytest
from told import Told, board, record

from broker_bridge.errors import IndexBehind, NotFound, StoreUnavailable, UsageError
from broker_bridge.events.fact import Fact
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.boards import board as ask
from broker_bridge.queries.record import LIVE, open_record, open_with, path_of
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader


def facts(*values: str, commit: int | None = None) -> list[Fact]:
    told = Told()
    for value in values:
        told.say("board.arrived", "10:00:00", board(value), station="aoi", how="unknown", commit=commit)
    return told.facts


def many(count: int) -> list[Fact]:
    """Boards B1 and so on, in one commit."""
    return facts(*(f"B{number}" for number in range(1, count + 1)), commit=1)


def written(path: Path, told: list[Fact]) -> str:
    async def write() -> None:
        store = await SqliteStore.open(path, "plant")
        try:
            await record(store, told)
        finally:
            await store.close()

    asyncio.run(write())
    return f"sqlite:///{path}"


def test_the_index_is_made_and_brought_up_without_being_asked(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    told: list[tuple[int, int]] = []
    with open_record(written(path, facts("A")), lambda done, there: told.append((done, there))) as opened:
        assert ask(opened, "A").as_of == ("plant", opened.reader.head().incarnation, 1, 1)
    with open_record(written(path, facts("A", "B"))) as opened:
        assert ask(opened, "B").as_of.commit == 2
        assert opened.note is None
    assert told == [(1, 1)]
    index_path(path).unlink()
    with open_record(f"sqlite:///{path}") as opened:
        assert ask(opened, "B").as_of.commit == 2


def test_held_by_another_it_answers_as_of_the_indexs_commit_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    open_record(written(path, facts("A"))).close()
    written(path, facts("A", "B"))
    holder = sqlite3.connect(index_path(path), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with open_record(f"sqlite:///{path}") as opened:
        assert ask(opened, "A").as_of.commit == 1
        assert opened.note == (
            "the record stands at commit 2, the index at 1, and could not be brought up:"
            " another process is writing record.index.db"
        )
        with pytest.raises(NotFound, match="commit 2 is not in the index yet"):
            ask(opened, "A", at=2)
        assert [source.missing for source in ask(opened, "A").completeness.sources] == [None]
    holder.execute("ROLLBACK")
    holder.close()


def test_far_behind_and_held_by_another_nothing_is_answered_but_how_far_it_is(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    open_record(written(path, facts("B1"))).close()
    last = LIVE + 2
    written(path, many(last))
    holder = sqlite3.connect(index_path(path), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with open_record(f"sqlite:///{path}") as opened:
        for asked in ("B1", f"B{last}"):  # what is told of the first one may be half of it
            with pytest.raises(IndexBehind, match=rf"read 1 of the record's {last:,} events.*ask again"):
                ask(opened, asked)
        with pytest.raises(IndexBehind, match="ask again"):
            ask(opened, "B1", at=2)
        assert ask(opened, "B1", at=1).as_of.commit == 1
        assert opened.held().commit == 1
    holder.execute("ROLLBACK")
    with open_record(f"sqlite:///{path}") as opened:
        assert ask(opened, f"B{last}").as_of.commit == 2
    holder.close()


def test_as_far_behind_as_a_record_in_use_is_it_answers(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    open_record(written(path, facts("B1"))).close()
    written(path, many(LIVE + 1))
    holder = sqlite3.connect(index_path(path), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with open_record(f"sqlite:///{path}") as opened:
        assert ask(opened, "B1").as_of.commit == 1
    holder.execute("ROLLBACK")
    holder.close()


def test_index_of_before_a_restore_that_cannot_be_brought_up_answers_nothing(tmp_path: Path) -> None:
    path, other = tmp_path / "record.db", tmp_path / "other.db"
    open_record(written(path, facts("A"))).close()
    written(other, facts("B"))
    holder = sqlite3.connect(index_path(path), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    reader = SqliteReader(other)
    with (
        open_with(reader, index_path(path)) as opened,
        pytest.raises(IndexBehind, match="0 of the record's 1"),
    ):
        ask(opened, "A")
    holder.execute("ROLLBACK")
    holder.close()


def test_without_an_index_and_a_way_to_make_one_it_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    url = written(path, facts("A"))
    index_path(path).mkdir()
    with pytest.raises(StoreUnavailable, match="run the projector role"):
        open_record(url)


def test_index_of_another_record_is_not_believed(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.mkdir(), two.mkdir()
    open_record(written(one / "record.db", facts("A", "X"))).close()
    written(two / "record.db", facts("B"))
    index_path(one / "record.db").rename(index_path(two / "record.db"))
    with open_record(f"sqlite:///{two / 'record.db'}") as opened:
        assert ask(opened, "B").as_of.commit == 1
        with pytest.raises(NotFound):
            ask(opened, "A")


def test_a_record_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match=r"no record at .*nothing\.db"):
        open_record(f"sqlite:///{tmp_path / 'nothing.db'}")


@pytest.mark.parametrize(
    "url", ["", "record.db", "sqlite://record.db", "sqlite:///", "postgresql://x/y", "file:///x"]
)
def test_what_names_no_record(url: str) -> None:
    with pytest.raises(UsageError, match="expected sqlite:///path"):
        open_record(url)


@pytest.mark.parametrize(
    ("url", "path"),
    [("sqlite:///a/b.db", "a/b.db"), ("sqlite:////a/b.db", "/a/b.db"), ("sqlite://///a/b.db", "/a/b.db")],
)
def test_relative_and_absolute(url: str, path: str) -> None:
    assert path_of(url) == Path(path)

"""The tables outlet: the contract of all outlets, read back by DuckDB and pandas; late events, revisions, markings.

Outside checks: DuckDB, pandas and Arrow read what is written.
"""

import asyncio
import contextlib
import csv
import shutil
from collections.abc import AsyncIterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas
import pytest
from contracts.arrivals import START, arrival, run_of
from contracts.outlet_contract import EventKey, OutletContract, Setting
from told import Told, board, call, record

from broker_bridge.config import TablesOutlet
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts
from broker_bridge.outlets.leaving import Choice
from broker_bridge.outlets.tables import Tables, Writer
from broker_bridge.outlets.tables.dictionary import TABLES, document
from broker_bridge.queries.record import open_record
from broker_bridge.store.sqlite import SqliteStore

DEPLOY = Path(__file__).resolve().parents[3] / "deploy"


def rows(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    """What DuckDB finds; each table by its name."""
    with duckdb.connect() as database:
        for table in TABLES:
            if (folder / table.name).exists():
                database.execute(
                    f"CREATE VIEW {table.name} AS SELECT * FROM read_parquet('{folder}/{table.name}/*/*.parquet')"
                )
        return database.execute(sql).fetchall()


class Folder:
    """A folder of tables as a receiver; away while something else lies in its place."""

    def __init__(self, base: Path) -> None:
        self.folder = base / "tables"
        self._base = base

    def outlet(self, **more: Any) -> Tables:
        config = TablesOutlet.model_validate(
            {"kind": "tables", "name": "lake", "folder": self.folder, "every_s": 0.02, **more}
        )
        return Tables(
            config, self._base / "record.db", self._base / "position.db", Choice(allow=("persons", "raw"))
        )

    async def got(self) -> Sequence[EventKey]:
        if not (self.folder / "events").exists():
            return []
        return [tuple(row) for row in rows(self.folder, "SELECT source, id FROM events ORDER BY number")]

    async def down(self) -> None:
        if self.folder.exists():
            self.folder.rename(self._base / "aside")
        self.folder.write_text("no folder")

    async def up(self) -> None:
        self.folder.unlink()
        (self._base / "aside").rename(self.folder)

    async def refuse(self, keys: Sequence[EventKey]) -> None:
        raise AssertionError("a folder refuses nothing")


class TestTables(OutletContract):
    ordered = False
    refuses = False

    @contextlib.asynccontextmanager
    async def receiver(self, folder: Path) -> AsyncIterator[Folder]:  # type: ignore[override]
        yield Folder(folder)

    def same(self, got: Sequence[EventKey], expected: Sequence[EventKey]) -> None:
        assert sorted(got) == sorted(expected)


def made(tmp_path: Path, told: Told, *, name: str = "record.db") -> Path:
    """A record of these facts."""

    async def make() -> None:
        store = await SqliteStore.open(tmp_path / name, "plant")
        await record(store, told.facts)
        await store.close()

    asyncio.run(make())
    return tmp_path / name


def written(path: Path, folder: Path, first: int = 1, **more: Any) -> Writer:
    """All tables of a record, events from a number on."""
    writer = Writer(folder, **more)
    with open_record(f"sqlite:///{path}") as opened:
        facts = opened.reader.after(first - 1, 100_000)
        if facts:
            writer.take(opened, facts, first)
        writer.derive(opened)
    return writer


def test_the_dictionary_in_deploy_is_the_one_that_is_written() -> None:
    assert (DEPLOY / "TABLES.md").read_text(encoding="utf-8") == document()


def test_every_column_is_told_of_once_with_its_meaning() -> None:
    for table in TABLES:
        names = [column.name for column in table.columns]
        assert len(set(names)) == len(names)
        assert {*table.key, table.day} <= set(names)
        assert all(column.meaning for column in table.columns)


def line() -> Told:
    """A board with a failed look and one that passed; a reel; paste on three pads."""
    told = Told()
    told.passes(
        "print",
        "08:00:00",
        "08:00:30",
        board("A", panel="P", position=1),
        part={"number": "HW-1"},
        order="WO-1",
    )
    told.say(
        "material.installed", "08:10:00", board("A"), station="place", feeding={"slot": "7"}, by="machine",
        material={"id": "R1", "part": "C-100", "lots": ["L1", "L2"]}, places=[{"designator": "C1"}, {"designator": "C2"}],
    )  # fmt: skip
    told.inspects(
        "aoi", "09:00:00", "09:00:20", board("A"), outcome="failed", calls=[call("C1", "=tombstone")]
    )
    told.inspects("aoi", "09:10:00", "09:10:20", board("B"))
    columns = [
        pack_numbers("volume", [101.5, None, 88.0], "%"), pack_numbers("volume_lower", [50, 50, 50], "%"),
        pack_texts("designator", ["C1", "C1", "C2"]), pack_texts("termination", ["1", "2", "1"]),
    ]  # fmt: skip
    told.say(
        "reading.paste_measured", "08:01:00", board("A"), station="spi", pads=3, columns=columns, block=block_hash(columns),
        part={"number": "HW-1"}, side="top",
    )  # fmt: skip
    return told


def test_duckdb_and_pandas_read_every_table(tmp_path: Path) -> None:
    folder = tmp_path / "lake"
    written(made(tmp_path, line()), folder)
    assert {path.name for path in folder.iterdir()} == {
        "DICTIONARY.md",
        "_state.json",
        *(table.name for table in TABLES),
    }
    for table in TABLES:
        frame = pandas.read_parquet(folder / table.name)
        assert [*frame.columns] == [*(column.name for column in table.columns), "day"]
        assert not frame.duplicated([*table.key]).any()
        assert len(rows(folder, f"SELECT * FROM {table.name}")) == len(frame) > 0
    assert rows(
        folder, "SELECT DISTINCT station, outcome FROM visits WHERE board = 'A' AND station = 'aoi'"
    ) == [("aoi", "failed")]
    assert rows(folder, "SELECT board, designator, defect, state FROM defects") == [
        ("A", "C1", "=tombstone", "not_judged")
    ]
    (use,) = rows(
        folder,
        "SELECT board, container, designators, carries_now, certainty FROM materials WHERE list_contains(lots, 'L2')",
    )
    assert use == ("A", "R1", ["C1", "C2"], True, "observed")
    pads = rows(
        folder,
        "SELECT pad_no, designator, termination, volume, volume_lower, volume_unit, height FROM pads ORDER BY 1",
    )
    assert pads == [
        (1, "C1", "1", 101.5, 50.0, "%", None), (2, "C1", "2", None, 50.0, "%", None), (3, "C2", "1", 88.0, 50.0, "%", None),
    ]  # fmt: skip


def test_meaning_and_unit_stand_in_the_file_as_well(tmp_path: Path) -> None:
    written(made(tmp_path, line()), tmp_path / "lake")
    import pyarrow.parquet

    (path,) = (tmp_path / "lake" / "pads").glob("*/block*.parquet")
    field = pyarrow.parquet.read_schema(path).field("volume_upper")
    assert field.metadata[b"meaning"] == b"Upper limit of volume in force"
    assert field.metadata[b"unit"] == b"in volume_unit"


def test_a_late_event_goes_to_its_own_day_and_is_there_once(tmp_path: Path) -> None:
    async def commit(*arrivals: Any) -> None:
        store = await SqliteStore.open(tmp_path / "record.db", "plant")
        await store.commit(list(arrivals))
        await store.close()

    folder = tmp_path / "lake"
    asyncio.run(commit(*run_of(1, 5)))
    written(tmp_path / "record.db", folder)
    asyncio.run(commit(arrival(6, board="HW-0001", time=START - timedelta(days=3)), arrival(7, time=START)))
    written(tmp_path / "record.db", folder, first=6)
    files = sorted(path.relative_to(folder).as_posix() for path in folder.glob("events/*/block*"))
    assert files == [f"events/day=2026-{day}/block-000000.parquet" for day in ("10-30", "11-02")]
    assert rows(folder, "SELECT number FROM events ORDER BY number") == [(n,) for n in range(1, 8)]
    visits = rows(folder, "SELECT count(*), min(arrived)::DATE::TEXT FROM visits WHERE board = 'HW-0001'")
    assert visits[0][1] == "2026-10-30"
    before = {path: path.read_bytes() for path in folder.rglob("*.parquet")}
    written(tmp_path / "record.db", folder, first=6)
    assert {path: path.read_bytes() for path in folder.rglob("*.parquet")} == before, "again: the same files"


def test_what_a_later_revision_replaced_is_told_and_its_pads_are_gone(tmp_path: Path) -> None:
    told = Told()
    columns = [pack_numbers("volume", [1.0, 2.0])]
    more: dict[str, Any] = {"station": "spi", "pads": 2, "columns": columns, "block": block_hash(columns)}
    told.say("reading.paste_measured", "08:00:00", board("A"), position=5, **more)
    folder = tmp_path / "lake"
    written(made(tmp_path, told), folder)
    assert rows(folder, "SELECT count(*) FROM pads") == [(2,)]
    told.say("reading.paste_measured", "08:00:00", board("A"), position=5, revision=2, **more)
    written(made(tmp_path, told), folder, first=2)
    assert rows(folder, "SELECT number, holds FROM events ORDER BY number") == [(1, False), (2, True)]
    assert rows(folder, "SELECT DISTINCT number FROM pads") == [(2,)]


def test_a_corrected_history_leaves_no_row_on_its_old_day(tmp_path: Path) -> None:
    told = Told()
    told.inspects("aoi", "09:00:00", "09:00:20", board("A"), position=5)
    folder = tmp_path / "lake"
    written(made(tmp_path, told), folder)
    assert [path.parent.name for path in folder.glob("visits/*/part*")] == ["day=2026-03-02"]
    from told import at

    told.say(
        "inspection.completed", at("09:00:20", 2), board("A"), station="aoi", started=at("09:00:00", 2), ended=at("09:00:20", 2),
        outcome="passed", method="optical", position=5, revision=2,
    )  # fmt: skip
    written(made(tmp_path, told), folder, first=2)
    for table in ("visits", "inspections"):
        assert [path.parent.name for path in folder.glob(f"{table}/*/part*")] == ["day=2026-03-04"]


def test_csv_lies_beside_and_no_spreadsheet_takes_it_for_formulas(tmp_path: Path) -> None:
    folder = tmp_path / "lake"
    written(made(tmp_path, line()), folder, csv=True)
    (path,) = (folder / "csv" / "defects").glob("*/*.csv")
    with path.open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["defect"], row["called"], row["escaped"], row["confirmed"]) == (
        "'=tombstone",
        "2026-03-02T09:00:00Z",
        "",
        "",
    )
    (path,) = (folder / "csv" / "materials").glob("*/*.csv")
    with duckdb.connect() as database:
        assert database.execute(f"SELECT lots, designators FROM read_csv('{path}')").fetchall() == [
            ("L1; L2", "C1; C2")
        ]


def test_derived_rows_of_marked_parts_stay_with_their_events(tmp_path: Path) -> None:
    told = line()
    told.say(
        "line.part_declared",
        "06:00:00",
        source="plan",
        valid_from="06:00:00",
        part={"number": "HW-1"},
        marking="secret",
    )

    async def play(choice: Choice, folder: Path) -> None:
        setting = Setting(tmp_path)
        setting.position = folder.with_suffix(".position")
        config = TablesOutlet(kind="tables", name="lake", folder=folder, every_s=0.02)
        outlet = Tables(config, setting.path, setting.position, choice)
        async with setting.running(outlet, choice=choice):
            await setting.reaches(len(told.facts))

    made(tmp_path, told)
    asyncio.run(play(Choice(unknown_parts=True), tmp_path / "closed"))
    asyncio.run(play(Choice(unknown_parts=True, markings=("secret",)), tmp_path / "open"))
    assert {row[0] for row in rows(tmp_path / "closed", "SELECT board FROM visits")} == {"B"}
    assert rows(tmp_path / "closed", "SELECT * FROM pads") == []
    assert rows(
        tmp_path / "closed", "SELECT count(*) FROM events WHERE list_contains(boards, 'board=A')"
    ) == [(0,)]
    assert {row[0] for row in rows(tmp_path / "open", "SELECT board FROM visits")} == {"A", "B"}


def test_an_index_made_anew_makes_the_derived_tables_anew(tmp_path: Path) -> None:
    folder = tmp_path / "lake"
    path = made(tmp_path, line())
    written(path, folder)
    shutil.rmtree(folder / "visits")
    (tmp_path / "record.index.db").unlink()
    written(path, folder)
    assert len(rows(folder, "SELECT * FROM visits")) > 0


def test_settings_that_would_make_half_a_table_are_refused() -> None:
    with pytest.raises(ValueError, match="types does not go with tables"):
        TablesOutlet.model_validate(
            {"kind": "tables", "name": "x", "folder": Path("x"), "types": ("board.*",)}
        )
    with pytest.raises(ValueError, match="does not go with tables"):
        TablesOutlet.model_validate({"kind": "tables", "name": "x", "folder": Path("x"), "start": "end"})

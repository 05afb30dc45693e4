"""DuckDB over the Parquet tells the same yields and the same forward trace as our own commands, on the demo's line."""

import json
from pathlib import Path
from typing import Any

import duckdb
import pytest

from broker_bridge.cli.main import main
from broker_bridge.demo.virtual import record_run
from broker_bridge.outlets.tables import Writer
from broker_bridge.queries.record import open_record


class Demo:
    """A short run of the invented line with every fault, as a record and as tables."""

    def __init__(self, folder: Path) -> None:
        self.url = f"sqlite:///{record_run(folder, 24, 11, 'rough', lambda *_: None).record}"
        self.database = duckdb.connect()
        writer = Writer(folder / "lake")
        with open_record(self.url) as record:
            number = 0
            while facts := record.reader.after(number, 1_000):
                writer.take(record, facts, number + 1)
                number = facts[-1].number
            writer.derive(record)
        for table in ("events", "visits", "inspections", "defects", "materials"):
            self.database.execute(
                f"CREATE VIEW {table} AS SELECT * FROM read_parquet('{folder}/lake/{table}/*/*.parquet')"
            )

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        return self.database.execute(sql, values).fetchall()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return Demo(tmp_path_factory.mktemp("demo"))


def asked(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    """What a command answers as JSON."""
    main([*words, "--json"])
    return json.loads(capsys.readouterr().out)


def key(board: dict[str, Any]) -> tuple[str, str]:
    return board["kind"], board["value"]


@pytest.mark.parametrize("stage", ["inspected", "reviewed"])
def test_first_pass_yields(demo: Demo, capsys: pytest.CaptureFixture[str], stage: str) -> None:
    answer = asked(capsys, "quality", "yield", "--record", demo.url, "--stage", stage)
    figures = {
        figure["name"].removesuffix(", boards"): (figure["number"], figure["of"])
        for figure in answer["sections"][0]["figures"]
        if figure["name"].endswith(", boards")
    }
    column = "outcome" if stage == "inspected" else "reviewed"
    found = demo.rows(
        f"SELECT concat_ws(' ', station, side), count(DISTINCT board_key) FILTER ({column} = 'passed'),"
        f" count(DISTINCT board_key) FILTER ({column} IN ('passed', 'failed')) FROM inspections WHERE attempt = 1"
        " AND NOT in_doubt AND NOT crossed_out AND (purpose IS NULL OR purpose = 'production') GROUP BY station, side, method"
    )
    assert len(figures) >= 4
    assert {name: (passed, of) for name, passed, of in found if of} == {
        n: f for n, f in figures.items() if f[1]
    }
    assert any(passed < of for passed, of in figures.values())


def test_where_every_lot_was_used(demo: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    lots = [lot for (lot,) in demo.rows("SELECT DISTINCT unnest(lots) FROM materials ORDER BY 1")]
    assert len(lots) >= 10
    for lot in lots[:: max(1, len(lots) // 12)]:
        answer = asked(capsys, "where-used", "--lot", lot, "--record", demo.url)
        exact = {key(board) for board in answer["exact"]}
        possible = {key(board) for board in answer["possible"]}
        found = demo.rows(
            "SELECT DISTINCT board_kind, board, certainty = 'observed' AND len(lots) = 1 FROM materials WHERE list_contains(lots, ?)",
            lot,
        )
        sure = {(kind, value) for kind, value, observed in found if observed}
        assert sure == exact, lot
        assert {(kind, value) for kind, value, _ in found} <= exact | possible, lot


def test_every_event_and_every_defect_is_there(demo: Demo, capsys: pytest.CaptureFixture[str]) -> None:
    with open_record(demo.url) as record:
        number = record.reader.head().number
    assert demo.rows("SELECT count(*), count(DISTINCT number), max(number) FROM events") == [
        (number, number, number)
    ]
    listed = asked(capsys, "defects", "--any-purpose", "--record", demo.url)
    assert demo.rows("SELECT count(*) FROM defects") == [(len(listed["rows"]),)]

"""`export`: a folder of tables in one go."""

import asyncio
import json
from pathlib import Path

import pandas
import pytest
from jsonschema import Draft202012Validator
from told import Told, board, record

from broker_bridge.cli.main import main
from broker_bridge.schemas.files import FILES
from broker_bridge.store.sqlite import SqliteStore


@pytest.fixture
def url(tmp_path: Path) -> str:
    told = Told()
    told.inspects(
        "aoi", "09:00:00", "09:00:20", board("A"), part={"number": "HW-1"}, operator="p-aaaaaaaaaaaaaaaa"
    )
    told.inspects("aoi", "09:10:00", "09:10:20", board("B"), part={"number": "HW-2"})
    told.say(
        "line.part_declared",
        "06:00:00",
        source="plan",
        valid_from="06:00:00",
        part={"number": "HW-2"},
        marking="secret",
    )

    async def make() -> None:
        store = await SqliteStore.open(tmp_path / "record.db", "plant")
        await record(store, told.facts)
        await store.close()

    asyncio.run(make())
    return f"sqlite:///{tmp_path}/record.db"


def test_it_writes_what_may_leave_and_says_what_did_not(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(tmp_path / "a"), "--record", url, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["export.json"]()).validate(document)
    assert document == {"folder": str(tmp_path / "a"), "commit": 3, "events": 1, "withheld": 2}
    events = pandas.read_parquet(tmp_path / "a" / "events")
    assert "p-aaaaaaaaaaaaaaaa" not in events["data"][0]
    assert list(events["flags"][0]) == ["person_withheld"]
    more = ["--marking", "secret", "--allow", "persons", "--csv", "--tables", "events,visits"]
    assert main(["export", str(tmp_path / "b"), "--record", url, *more]) == 0
    assert "3 events as of commit 3" in capsys.readouterr().out
    assert {path.name for path in (tmp_path / "b").iterdir()} == {
        "events",
        "visits",
        "csv",
        "DICTIONARY.md",
        "_state.json",
    }
    assert pandas.read_parquet(tmp_path / "b" / "events")["data"].str.contains("p-aaaaaaaaaaaaaaaa").any()


def test_nothing_is_written_over(url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    assert main(["export", str(tmp_path / "full"), "--record", url]) == 2
    assert main(["export", str(tmp_path / "new"), "--record", url, "--tables", "boards"]) == 2
    assert "there is no table 'boards'" in capsys.readouterr().err
    assert main(["export", str(tmp_path / "new"), "--record", f"sqlite:///{tmp_path}/none.db"]) == 4

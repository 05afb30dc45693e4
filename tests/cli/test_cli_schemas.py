"""The command `schemas`: lists, writes, checks, and refuses to break what was published."""

import json
import shutil
from pathlib import Path

import pytest

from broker_bridge.cli.main import main
from broker_bridge.schemas.files import FILES


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("written") / "new" / "schemas"
    assert main(["schemas", "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def folder(written: Path, tmp_path: Path) -> Path:
    """A folder of the schemas, to spoil."""
    return Path(shutil.copytree(written, tmp_path / "schemas"))


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas"]) == 0
    told = capsys.readouterr().out
    assert "board.arrived.json" in told
    assert len(told.splitlines()) == len(FILES)


def test_list_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "--json"]) == 0
    rows = {row["file"]: row for row in json.loads(capsys.readouterr().out)}
    assert rows.keys() == FILES.keys()
    assert rows["board.arrived.json"]["status"] == "final"
    assert rows["work.started.json"]["status"] == "draft"


def test_one_type_told_field_by_field(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "work.completed"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("work.completed (draft): ")
    rows = {line[2:36].rstrip(): (line[0], line[36:]) for line in told.splitlines()[4:]}
    assert rows["outcome"] == ("*", "completed, failed, aborted, skipped, unknown")
    assert rows["boards[].identifiers[].value"][0] == "*"
    assert rows["lane"] == (" ", "integer from 1 to 99")
    assert "origin" not in rows


@pytest.mark.parametrize("name", sorted(FILES))
def test_every_listed_one_can_be_asked_for(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", name.removesuffix(".json")]) == 0
    assert capsys.readouterr().out.startswith(name.removesuffix(".json"))


def test_one_as_json_is_its_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "work.completed", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == FILES["work.completed.json"]()


def test_one_that_is_none_names_those_near_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "work.complete"]) == 2
    assert (
        "'work.complete' is no event type and no answer; near it are work.completed"
        in capsys.readouterr().err
    )
    assert main(["schemas", "work.completed", "--check"]) == 2


def test_written_is_current_and_writing_again_changes_nothing(folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert before.keys() == FILES.keys()
    assert main(["schemas", "--out", str(folder)]) == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert main(["schemas", "--out", str(folder), "--check"]) == 0


def test_check_names_what_differs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "receipt.json").unlink()
    (folder / "event.json").write_bytes(b"{}\n")
    (folder / "board.lost.json").write_bytes(b"{}\n")
    assert main(["schemas", "--check", "--out", str(folder)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "receipt.json: missing",
        "board.lost.json: not a schema of this program",
        "event.json: differs from the schema of this program",
    ]
    assert main(["schemas", "--check", "--json", "--out", str(folder)]) == 1
    assert len(json.loads(capsys.readouterr().out)["findings"]) == 3


def test_a_final_schema_is_not_broken(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    published = folder / "board.arrived.json"
    schema = json.loads(published.read_bytes())
    schema["properties"]["colour"] = {"type": "string"}
    published.write_text(json.dumps(schema))
    (folder / "receipt.json").unlink()
    assert main(["schemas", "--out", str(folder)]) == 1
    assert capsys.readouterr().out == "board.arrived.json: colour: the field is gone\n"
    assert not (folder / "receipt.json").exists(), "nothing is written"


def test_a_draft_may_change(folder: Path) -> None:
    published = folder / "work.started.json"
    schema = json.loads(published.read_bytes())
    schema["properties"]["colour"] = {"type": "string"}
    published.write_text(json.dumps(schema))
    assert main(["schemas", "--out", str(folder)]) == 0
    assert main(["schemas", "--out", str(folder), "--check"]) == 0


def test_what_cannot_be_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "--check", "--out", str(tmp_path / "none")]) == 2
    assert "none is no folder" in capsys.readouterr().err
    (tmp_path / "file").touch()
    assert main(["schemas", "--out", str(tmp_path / "file")]) == 2
    assert "file cannot be written" in capsys.readouterr().err
    (tmp_path / "receipt.json").write_bytes(b"no")
    assert main(["schemas", "--out", str(tmp_path)]) == 1
    assert "receipt.json: is not JSON" in capsys.readouterr().out

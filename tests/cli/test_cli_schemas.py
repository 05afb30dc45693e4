"""The command `schemas`: lists, writes, checks, and refuses to break what was published."""

import json
from pathlib import Path

import pytest

from broker_bridge.cli.main import main
from broker_bridge.schemas.files import FILES


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


def test_written_is_current_and_writing_again_changes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "schemas"
    assert main(["schemas", "--out", str(folder)]) == 0
    assert main(["schemas", "--out", str(folder), "--check"]) == 0
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert before.keys() == FILES.keys()
    assert main(["schemas", "--out", str(folder)]) == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_check_names_what_differs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["schemas", "--out", str(tmp_path)])
    capsys.readouterr()
    (tmp_path / "receipt.json").unlink()
    (tmp_path / "event.json").write_bytes(b"{}\n")
    (tmp_path / "board.lost.json").write_bytes(b"{}\n")
    assert main(["schemas", "--check", "--out", str(tmp_path)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "receipt.json: missing",
        "board.lost.json: not a schema of this program",
        "event.json: differs from the schema of this program",
    ]
    assert main(["schemas", "--check", "--json", "--out", str(tmp_path)]) == 1
    assert len(json.loads(capsys.readouterr().out)["findings"]) == 3


def test_a_final_schema_is_not_broken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["schemas", "--out", str(tmp_path)])
    published = tmp_path / "board.arrived.json"
    schema = json.loads(published.read_bytes())
    schema["properties"]["colour"] = {"type": "string"}
    published.write_text(json.dumps(schema))
    (tmp_path / "receipt.json").unlink()
    capsys.readouterr()
    assert main(["schemas", "--out", str(tmp_path)]) == 1
    assert capsys.readouterr().out == "board.arrived.json: colour: the field is gone\n"
    assert not (tmp_path / "receipt.json").exists(), "nothing is written"


def test_a_draft_may_change(tmp_path: Path) -> None:
    main(["schemas", "--out", str(tmp_path)])
    published = tmp_path / "work.started.json"
    schema = json.loads(published.read_bytes())
    schema["properties"]["colour"] = {"type": "string"}
    published.write_text(json.dumps(schema))
    assert main(["schemas", "--out", str(tmp_path)]) == 0
    assert main(["schemas", "--out", str(tmp_path), "--check"]) == 0


def test_what_cannot_be_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schemas", "--check", "--out", str(tmp_path / "none")]) == 2
    assert "none is no folder" in capsys.readouterr().err
    (tmp_path / "file").touch()
    assert main(["schemas", "--out", str(tmp_path / "file")]) == 2
    assert "file cannot be written" in capsys.readouterr().err
    (tmp_path / "receipt.json").write_bytes(b"no")
    assert main(["schemas", "--out", str(tmp_path)]) == 1
    assert "receipt.json: is not JSON" in capsys.readouterr().out

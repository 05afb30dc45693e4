"""`where-used` as a person or a program calls it."""

import asyncio
import csv
import json
from pathlib import Path
from typing import Any

import pytest
from chain import Chain
from jsonschema import Draft202012Validator
from told import Told, board, panel, record

from broker_bridge.cli.main import main
from broker_bridge.queries.frozen import folder_of
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.trace.recall import Answer
from broker_bridge.trace.schema import answer_schema


def plant(boards: int = 2) -> Told:
    told = Told()
    material: dict[str, Any] = {"id": "=R-A", "part": "P-1", "lots": ["L1"]}
    for position in range(1, boards + 1):
        told.say(
            "board.introduced",
            "08:00:00",
            board(f"B{position}", panel="P", position=position),
            station="load",
        )
    told.say(
        "material.set_up",
        "08:30:00",
        station="place",
        material=material,
        feeding={"slot": "5"},
        proof="verified",
    )
    told.say("material.installed", "09:00:00", panel("P"), station="place", material=material, feeding={"slot": "5"},
             quantity=boards, places=[], by="machine", side="top")  # fmt: skip
    return told


def recorded(folder: Path, told: Told) -> str:
    async def write() -> None:
        store = await SqliteStore.open(folder / "record.db", name="plant")
        try:
            await record(store, told.facts)
        finally:
            await store.close()

    asyncio.run(write())
    return f"sqlite:////{str(folder / 'record.db').lstrip('/')}"


@pytest.fixture
def url(tmp_path: Path) -> str:
    return recorded(tmp_path, plant())


def test_the_first_sentence_answers(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["where-used", "L1", "--record", url]) == 0
    out = capsys.readouterr().out
    assert out.startswith(
        "L1 (taken as lot): 2 boards for sure, 0 more possible; 2 in process. The list is bounded."
    )
    assert "is not a release" in out
    assert all(len(line) <= 96 for line in out.splitlines())


def test_what_is_not_known_is_not_bounded_and_exits_with_1(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["where-used", "--lot", "L9", "--record", url]) == 1
    out = capsys.readouterr().out
    assert "NOT BOUNDED" in out
    assert "is not a release" in out


def test_json_is_as_its_schema_says(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["where-used", "--reel", "=R-A", "--json", "--record", url]) == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(answer_schema(Answer, "where-used")).validate(document)
    assert [member["value"] for member in document["exact"]] == ["B1", "B2"]


def test_csv_is_safe_against_formulas(url: str, tmp_path: Path) -> None:
    """A cell that begins with = + - @ runs in a spreadsheet (CWE-1236)."""
    target = tmp_path / "list.csv"
    main(["where-used", "--reel", "=R-A", "--csv", str(target), "--record", url])
    rows = list(csv.reader(target.read_text(encoding="utf-8").splitlines()))
    assert len(rows) == 3
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row)


def test_a_frozen_answer_is_kept_and_compared(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["where-used", "--lot", "L1", "--freeze", "c-17", "--record", url]) == 0
    assert main(["where-used", "--lot", "L1", "--freeze", "c-17", "--record", url]) == 2  # never written over
    (kept,) = folder_of(url).glob("*.json")
    assert kept.stat().st_mode & 0o222 == 0
    capsys.readouterr()
    assert main(["where-used", "--frozen", "c-17", "--record", url]) == 0
    out = capsys.readouterr().out
    assert "The record holds the very events it stands on." in out
    assert "new: 0" in out
    recorded(tmp_path, plant(boards=3))
    assert main(["where-used", "--frozen", "c-17", "--record", url]) == 1
    assert "B3" in capsys.readouterr().out
    assert main(["where-used", "--frozen", "none", "--record", url]) == 1


def test_a_frozen_answer_tells_who_kept_it_and_why(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = str(Chain(tmp_path / "plant").config)
    ask = ["where-used", "--lot", "L1", "--freeze", "c-18", "--record", url, "--config", config]
    assert main([*ask, "--who", "qe-02", "--why", " "]) == 2, "a reason that says nothing"
    assert main(["where-used", "--lot", "L1", "--who", "qe-02", "--record", url]) == 2, "only with --freeze"
    assert main([*ask, "--who", "qe-02", "--why", "complaint 18"]) == 0
    capsys.readouterr()
    main(["where-used", "--frozen", "c-18", "--record", url])
    out = capsys.readouterr().out
    assert "Kept by p-" in out
    assert "Kept because: complaint 18" in out
    assert "qe-02" not in out


def test_a_frozen_answer_that_was_altered_is_refused(url: str) -> None:
    main(["where-used", "--lot", "L1", "--freeze", "c-17", "--record", url])
    (kept,) = folder_of(url).glob("*.json")
    kept.chmod(0o644)
    kept.write_text(kept.read_text(encoding="utf-8").replace('"B2"', '"B7"'), encoding="utf-8")
    assert main(["where-used", "--frozen", "c-17", "--record", url]) == 5


@pytest.mark.parametrize(
    "arguments", [[], ["L1", "--lot", "L1"], ["--lot", "L1", "--freeze", "../out"], ["--from", "x"]]
)
def test_what_cannot_be_asked_is_usage(url: str, arguments: list[str]) -> None:
    assert main(["where-used", *arguments, "--record", url]) == 2

"""`board` as a person or a program calls it."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from memory_store import MemoryStore
from told import Told, board, call, panel, recorded, verdict

from broker_bridge.cli.main import main
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts
from broker_bridge.queries import record as opening
from broker_bridge.trace.schema import history_schema
from broker_bridge.words.board import words
from broker_bridge.words.telling import WIDTH

COLUMNS = (pack_texts("designator", ["R1", "R2"]), pack_numbers("volume", [98.5, None], "%"))


def life() -> Told:
    told = Told()
    told.say(
        "board.identified",
        "10:00:00",
        board("A", "transfer=T", panel="P", position=1),
        station="load",
        order="WO-7",
    )
    told.passes("print", "10:01:00", "10:01:30", panel("P"), lane=1)
    told.inspects(
        "spi", "10:02:00", "10:02:20", board("A"), method="paste", position=1, events=2, side="top",
        coverage={"inspected": 2, "total": 2, "of": "pads"},
    )  # fmt: skip
    told.say(
        "reading.paste_measured", "10:02:20", board("A"), station="spi", pads=2, block=block_hash(COLUMNS),
        columns=COLUMNS, position=1, ordinal=1, events=2,
    )  # fmt: skip
    told.inspects(
        "aoi", "10:10:00", "10:10:20", board("A"), outcome="failed", calls=[call("R1"), call("U7", "lifted")],
        coverage={"inspected": 118, "total": 120, "of": "components", "left_out": ["R9"]},
    )  # fmt: skip
    told.say(
        "inspection.reviewed", "12:00:00", board("A", how="passed_on"), station="desk", inspected_at="aoi",
        inspected="10:10:00", outcome="failed", verdicts=[verdict("R1", "confirmed", defect="short")],
    )  # fmt: skip
    told.say("source.gap", "10:07:00", source="oven", cause="away", start="10:05:00", end="10:07:00")
    told.say("board.held", "12:05:00", board("A"), reason="confirmed short", hold="H-1")
    return told


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> MemoryStore:
    """A record in memory stands in for the file that the command would open."""
    store = MemoryStore()
    recorded(store, life().facts)
    index = tmp_path / "i.db"
    monkeypatch.setattr(opening, "SqliteReader", lambda path: store.reader)
    monkeypatch.setattr(opening, "index_path", lambda path: index)
    return store


def ask(*arguments: str) -> int:
    return main(["board", *arguments, "--record", "sqlite:///any"])


def test_it_can_be_read_aloud(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A") == 0
    told, errors = capsys.readouterr()
    assert errors == ""
    assert all(len(line) <= WIDTH for line in told.splitlines())
    assert told.isascii()
    assert told.startswith("Board A\n  position 1 of panel P; work order WO-7\n")
    flowing = " ".join(told.split())
    for expected in (
        "also known as transfer T (read)",
        "As of commit 9 of record record",
        "Times are UTC",
        "print, lane 1: arrived 10:01:00, left 10:01:30. No outcome stated.",
        "there from 10:02:00 or before (arrival not seen), last seen there 10:02:20 (departure not seen, elsewhere by 10:10:00)",
        "aoi, optical, 10:10:00: failed; 2 calls.",
        "coverage 118 of 120 components; left out by the program: R9",
        "- R1: bridge; confirmed by a person at desk, 12:00:00 (short)",
        "- U7: lifted; not reviewed",
        "after review: failed",
        "D1 R1: short, called at aoi, confirmed 12:00:00; open.",
        "held, hold H-1: confirmed short",
        "from 2026-03-02 10:05:00 to 10:07:00, statements may be lost (away)",
        "nothing is known after that",
        "1 call not reviewed or undecided",
        "A clean history is not a release",
    ):
        assert expected in flowing, expected


def test_evidence_is_told_when_asked_for(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A", "--evidence") == 0
    assert "evidence: /harbour/smt/line-1/print gen.200.0.1" in capsys.readouterr().out


def test_json_is_what_its_schema_says(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(history_schema()).validate(document)
    assert document["as_of"]["commit"] == 9
    assert "paste_values" not in document


def test_paste_values_pad_by_pad(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A", "--paste") == 0
    assert "designator\tvolume [%]\nR1\t98.5\nR2\t\n" in capsys.readouterr().out
    assert ask("A", "--paste", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(history_schema()).validate(document)
    (values,) = document["paste_values"]
    assert values["columns"] == {"designator": ["R1", "R2"], "volume": [98.5, None]}
    assert values["block"] == document["inspections"][0]["paste"][0]["block"]


def test_as_it_was_known_at_a_commit(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A", "--at", "1", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert [visit["station"] for visit in document["route"]] == ["load"]


def test_findings_are_exit_code_1(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    told = Told()
    told.say(
        "board.identified", "13:00:00", board("A", panel="P", position=4), station="bench", generation="later"
    )
    recorded(record, told.facts)
    assert ask("A") == 1
    out = capsys.readouterr().out
    assert "Findings: 1, for a person to look at" in out
    assert "F1 said to be position 1 of panel P and position 4 of panel P" in out


def test_not_found_and_ambiguous_go_to_stderr_with_exit_code_1(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    told = Told()
    told.say("board.identified", "13:00:00", board("B", "transfer=T"), station="load", generation="later")
    recorded(record, told.facts)
    assert ask("nobody") == 1
    assert ask("T") == 1
    out, errors = capsys.readouterr()
    assert out == ""
    assert "'nobody' is not in record record as of commit 10" in errors
    assert "'T' names several things: board A; board B" in errors


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["A", "--record", "record.db"], 2, "expected sqlite:///path"),
        (["A", "--record", "sqlite:////nowhere/record.db"], 4, "no record at /nowhere/record.db"),
        (["A"], 2, "which record"),
        (["A", "--config", "nowhere.toml"], 3, "nowhere.toml: cannot be read"),
    ],
)
def test_a_record_that_cannot_be_told_or_found(
    arguments: list[str], code: int, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert main(["board", *arguments]) == code
    assert told in capsys.readouterr().err


def test_labels_of_machines_cannot_steer_the_terminal() -> None:
    told = Told()
    label = "\x1b[2J\u202eevil\r\n"
    told.inspects(
        "aoi", "10:00:00", "10:00:20", board("A\x07"), outcome="failed", calls=[call("R1\x1b]0;x", label)]
    )
    text = "\n".join(words(told.history("A\x07"), evidence=True))
    assert all(line.isprintable() for line in text.split("\n"))
    assert "\\u001b[2J\\u202eevil" in text


def test_a_history_of_nothing_but_doubt_is_told_too() -> None:
    told = Told()
    told.say(
        "work.completed",
        "10:00:00",
        board("A", how="assumed"),
        source="shared",
        candidates=["a", "b"],
        outcome="unknown",
    )
    text = "\n".join(words(told.history("A")))
    assert "one of a, b" in text
    assert "INFERRED (probability 0.35)" in text


def test_why_shows_the_reasoning_and_the_events_in_full(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask("A", "--why", "d1") == 0
    told = capsys.readouterr().out
    flowing = " ".join(told.split())
    for expected in (
        "D1, defect, as of commit 9. Times are UTC.",
        "defect: short",
        "Observed: a source saw it",
        "It stands on 2 events:",
        "1. inspection.completed at aoi, 2026-03-02T10:10:20Z, said by /harbour/smt/line-1/aoi",
        "number 6 of commit 6",
        "no raw record: the bridge or a person says it",
        '"label": "lifted"',
        "2. inspection.reviewed at desk",
    ):
        assert expected in flowing, expected
    assert all(len(line) <= WIDTH for line in told.splitlines())


def test_why_as_json_is_what_its_schema_says(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    from broker_bridge.schemas.files import FILES

    assert ask("A", "--why", "V1", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["why.json"]()).validate(document)
    assert document["statement"]["station"] == "load"
    assert [proof["type"] for proof in document["proofs"]] == ["board.identified"]
    assert (document["proofs"][0]["commit"], document["as_of"]["commit"]) == (1, 9)


def test_a_reference_that_is_none_tells_which_there_are(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask("A", "--why", "V99") == 2
    errors = capsys.readouterr().err
    assert "'V99' is no statement of this history as of commit 9" in errors
    assert "V1 to V" in errors
    assert "D1" in errors


def test_no_paste_values_is_said(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("A", "--paste", "--at", "3") == 0
    assert "No paste values of it are in the record." in capsys.readouterr().out


def test_a_doubtful_clock_is_told() -> None:
    told = Told()
    told.say(
        "board.arrived", "01:30:00", board("A"), station="aoi", how="unknown", flags=["nonexistent_time"]
    )
    text = "\n".join(words(told.history("A")))
    assert "doubtful (nonexistent_time)" in " ".join(text.split())


def test_what_is_unknown_is_answered_in_order_of_time(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    told = Told()
    told.say(
        "board.arrived", "05:00:00", board("early"), station="load", how="loaded", generation="late-file"
    )
    recorded(record, told.facts)
    assert ask("nobody") == 1
    assert "the first of 2026-03-02T05:00:00Z, the last of 2026-03-02T12:05:00Z" in capsys.readouterr().err


def test_parts_of_an_assembly_at_any_depth_are_told(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    told = Told()
    top = panel().model_copy(update={"unit": "assembly", "identifiers": board("assembly=CASE").identifiers})
    told.say("board.joined", "13:00:00", panel("P"), station="build", parent=top, generation="later")
    recorded(record, told.facts)
    assert ask("CASE") in (0, 1)
    flowing = " ".join(capsys.readouterr().out.split())
    assert "holds panel P" in flowing
    assert "holds board A, through P" in flowing

"""What a preview tells, against a mapping whose every part either matters or does not."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from logs_reading import MODIFIED

from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.adapter.observed import ObservedReading
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.adapters.logs.mapping.takings import Place
from broker_bridge.adapters.logs.preview.statistics import Statistics
from broker_bridge.adapters.logs.preview.view import Preview
from broker_bridge.cli.main import main
from broker_bridge.schemas.files import FILES
from broker_bridge.words.preview import words

MAPPING = """
name = "rows"
revision = 3
zone = "Europe/Berlin"

[reader]
kind = "delimited"
encoding = "utf-8"
delimiter = ";"
comment = "%"
records = [{ kind = "row", header = true, columns = ["Time", "Code", "Result", "Lot", "Operator"] }]

[fields.row]
time = { column = "Time", type = "time", format = "%Y-%m-%d %H:%M:%S", means = "end", required = true }
code = "Code"
outcome = { column = "Result", table = "outcomes" }
lot = "Lot"

[tables.outcomes]
values = { OK = "passed", NG = "failed", OFF = "bypassed" }
otherwise = "unknown"

[[event]]
type = "inspection.completed"
each = "row"
time = "$time"

[event.data]
method = "optical"
outcome = "$outcome"
boards = [{ unit = "board", identifiers = [{ kind = "board", value = "$code", how = "read" }] }]

[[event]]
type = "station.alarm_raised"
each = "row"
when = { outcome = ["aborted"] }
time = "$time"
data = { code = "E1" }
"""

FILE = """\
% written by a machine
Time;Code;Result;Lot;Operator
2026-10-25 02:30:00;HB1;OK;L1;op-1
2026-03-29 02:30:00;HB2;HUH;L1;op-1

2026-03-02 06:00:00;NOREAD;NG;L1;op-1
yesterday;HB4;OK;L1;op-1
"""


@pytest.fixture
def paths(tmp_path: Path) -> tuple[Path, Path]:
    mapping, file = tmp_path / "rows.toml", tmp_path / "rows.csv"
    mapping.write_text(MAPPING, encoding="utf-8")
    file.write_text(FILE, encoding="utf-8")
    return mapping, file


def view(content: str = FILE, name: str = "rows.csv") -> Preview:
    mapping = compile_mapping(MAPPING, "rows.toml")
    statistics = Statistics(mapping, MAPPING, "rows.toml", shown=5, rejected_shown=5)
    data = content.encode()
    statistics.begin(name, data)
    reading = ObservedReading(mapping, data, name, place=Place("preview"), modified=MODIFIED)
    reading.observer = statistics.record
    for taking in reading:
        statistics.taking(taking)
    statistics.end(reading.generation, reading.counters, complete=reading.complete)
    return statistics.view()


def test_what_became_what() -> None:
    told = view()
    assert told.records == {"row": 4}
    assert told.events == {"inspection.completed": 3}
    assert told.rejected == 1
    assert told.passed_over == {"comment": 1, "header": 1, "blank": 1}


def test_a_rejected_record_is_told_with_place_reason_and_what_would_be_right() -> None:
    (rejection,) = view().rejections
    assert (rejection.line, rejection.place, rejection.code) == (7, "line 7, column 1 (Time)", "time")
    assert rejection.raw == "yesterday;HB4;OK;L1;op-1"
    assert rejection.right is not None
    assert "2026-03-02 06:41:44" in rejection.right


def test_times_stand_in_the_machine_s_zone_and_in_utc() -> None:
    first = view().first_events[0]
    assert (first.local_time, first.time) == ("2026-10-25T02:30:00+02:00", "2026-10-25T00:30:00Z")
    assert (first.zone, first.zone_basis) == ("Europe/Berlin", "configured")


def test_what_never_mattered_and_what_is_doubtful() -> None:
    told = view()
    assert [(c.column, c.example) for c in told.unused_columns] == [("Operator", "op-1")]
    assert [f.field for f in told.unused_fields] == ["lot"]
    assert [(rule.number, rule.type) for rule in told.silent_rules] == [(2, "station.alarm_raised")]
    assert MAPPING.splitlines()[told.silent_rules[0].line - 1] == "[[event]]"
    assert [word.word for word in told.unmet_words] == ["OFF"]
    (unlisted,) = told.unlisted
    assert (unlisted.word, unlisted.records, unlisted.became, unlisted.first) == (
        "HUH",
        1,
        "unknown",
        "rows.csv, line 4",
    )
    assert told.flags == {"ambiguous_time": 1, "nonexistent_time": 1, "placeholder_identifier": 1}
    assert [(p.field, p.text) for p in told.placeholders] == [("row.code", "NOREAD")]


def test_a_file_that_does_not_fit_says_so_in_one_sentence() -> None:
    assert view("A,B\n1,2\n").files[0].verdict is not None
    assert view("").files[0].verdict == "It is empty."
    assert view().files[0].verdict is None


def test_it_is_the_reading_of_a_run(paths: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    mapping, file = paths
    assert main(["preview", str(mapping), str(file), "--events", "--station", "aoi-1"]) == 1
    shown = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    reading = read_bytes(
        compile_mapping(MAPPING, "x"),
        FILE.encode(),
        file.name,
        adapter="preview",
        station="aoi-1",
        modified=MODIFIED,
    )
    made = [
        (f"{taking.generation}.{taking.position}.{at}.{taking.revision}", json.loads(s.data.model_dump_json(exclude_none=True)))
        for taking in reading
        for at, s in enumerate(taking.statements)
    ]  # fmt: skip
    assert [(event["id"], event["data"]) for event in shown] == made
    assert len(made) == 4


@pytest.mark.parametrize("width", [80, 160])
def test_words_fit_the_terminal(width: int) -> None:
    lines = list(words(view(), width))
    assert max(map(len, lines)) <= width
    assert any("2026-10-25 02:30:00  2026-10-25 00:30:00" in line for line in lines)


def test_json_is_what_its_schema_says(paths: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    mapping, file = paths
    assert main(["preview", str(mapping), str(file), "--json"]) == 1
    Draft202012Validator(FILES["preview.json"]()).validate(json.loads(capsys.readouterr().out))


def test_exit_codes(paths: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mapping, _ = paths
    good = tmp_path / "good.csv"
    good.write_text("".join(FILE.splitlines(keepends=True)[:3]), encoding="utf-8")
    assert main(["preview", str(mapping), str(good)]) == 0
    assert main(["preview", str(mapping)]) == 2
    assert main(["preview", str(mapping), str(tmp_path / "nothing")]) == 2
    mapping.write_text(MAPPING.replace("$code", "$cod"), encoding="utf-8")
    assert main(["preview", str(mapping), str(good)]) == 3
    assert "code" in capsys.readouterr().err

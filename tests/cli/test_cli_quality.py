"""`quality` as a person or a program calls it."""

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from memory_store import MemoryStore
from told import Told, board, call, recorded, verdict

from broker_bridge.cli.main import main
from broker_bridge.queries import record as opening
from broker_bridge.schemas.files import FILES

# AIAG, Measurement Systems Analysis, 4th edition, chapter III section B: 10 parts, 3 appraisers, 3 trials.
AIAG = {
    "A": [[.29, -.56, 1.34, .47, -.80, .02, .59, -.31, 2.26, -1.36], [.41, -.68, 1.17, .50, -.92, -.11, .75, -.20, 1.99, -1.25],
          [.64, -.58, 1.27, .64, -.84, -.21, .66, -.17, 2.01, -1.31]],
    "B": [[.08, -.47, 1.19, .01, -.56, -.20, .47, -.63, 1.80, -1.68], [.25, -1.22, .94, 1.03, -1.20, .22, .55, .08, 2.12, -1.62],
          [.07, -.68, 1.34, .20, -1.28, .06, .83, -.34, 2.19, -1.50]],
    "C": [[.04, -1.38, .88, .14, -1.46, -.29, .02, -.46, 1.77, -1.49], [-.11, -1.13, 1.09, .20, -1.07, -.67, .01, -.56, 1.45, -1.77],
          [-.15, -.96, .67, .11, -1.45, -.49, .21, -.49, 1.87, -2.16]],
}  # fmt: skip


def line() -> Told:
    """Sixty boards, every tenth with a confirmed bridge; a reading each minute; a verification."""
    told = Told()
    told.say(
        "line.part_declared", "06:00:00", source="plan", part={"number": "X"}, valid_from="06:00:00",
        placement=[{"name": name, "part": {"number": "RES"}, "terminations": 2} for name in ("R1", "R2")],
    )  # fmt: skip
    for number in range(60):
        bad, time = number % 10 == 9, f"09:{number:02}:00"
        told.inspects(
            "aoi", time, time, board(f"board==B{number:02}"), part={"number": "X"}, outcome="failed" if bad else "passed",
            calls=[call("R1", "=bridge", termination="1")] if bad else [], side="top",
        )  # fmt: skip
        if bad:
            told.say(
                "inspection.reviewed", f"10:{number:02}:00", board(f"board==B{number:02}"), station="desk", inspected_at="aoi", inspected=time,
                verdicts=[verdict("R1", "confirmed", defect="=bridge")],
            )  # fmt: skip
        told.say(
            "reading.recorded",
            time,
            station="oven",
            values=[{"name": "zone_1", "value": 240.0 + number % 3 + (9.0 if number == 50 else 0.0)}],
        )
    for outcome, found in (("passed", ["R1", "R2"]), ("failed", ["R1"])):
        told.say(
            "inspection.verified", "12:00:00", board("REF"), station="aoi", equipment="AOI-7", purpose="reference", outcome=outcome,
            expected=[call("R1"), call("R2")], found=[call(name) for name in found],
        )  # fmt: skip
    return told


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> MemoryStore:
    store = MemoryStore()
    recorded(store, line().facts)
    monkeypatch.setattr(opening, "SqliteReader", lambda path: store.reader)
    monkeypatch.setattr(opening, "index_path", lambda path: tmp_path / "i.db")
    return store


def ask(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    code = main(["quality", *arguments, "--record", "sqlite:///any"])
    told, errors = capsys.readouterr()
    assert errors == ""
    return code, told


VIEWS = {
    "yield": ["yield", "--by", "part"],
    "charts": ["charts", "reading:zone_1", "--rules", "nelson"],
    "counts": ["charts", "failed", "--station", "aoi", "--per", "10", "--kind", "np"],
    "defects": ["charts", "defects", "--station", "aoi", "--per", "hour"],
    "x-bar": ["charts", "reading:zone_1", "--kind", "xbar-s", "--size", "4"],
    "ewma": ["charts", "reading:zone_1", "--kind", "ewma", "--target", "241", "--sigma", "1"],
    "cusum": ["charts", "reading:zone_1", "--kind", "cusum", "--baseline", "30"],
    "capability": ["capability", "reading:zone_1", "--lower", "230", "--upper", "250"],
    "paste": ["paste"],
    "occurrence": ["occurrence", "--controls", "1"],
    "gauge": ["gauge"],
}


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_in_words_as_json_by_its_schema_and_as_csv(
    record: MemoryStore, capsys: pytest.CaptureFixture[str], view: str
) -> None:
    code, words = ask(capsys, *VIEWS[view])
    told_code, text = ask(capsys, *VIEWS[view], "--json")
    document = json.loads(text)
    Draft202012Validator(FILES["quality.json"]()).validate(document)
    assert code == told_code == (1 if document["found"] else 0)
    assert "not a release" in words
    assert "".join(document["sentence"].split()) in "".join(words.split())
    _, table = ask(capsys, *VIEWS[view], "--csv")
    rows = list(csv.DictReader(io.StringIO(table)))
    assert {row["figure"].lstrip("'") for row in rows} >= {
        figure["name"] for section in document["sections"] for figure in section["figures"]
    }
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row.values())


def test_a_number_leads_to_its_boards(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    bad = [f"=B{number:02}" for number in range(9, 60, 10)]
    _, text = ask(capsys, "yield", "--json", "--list", "aoi top, boards")
    figures = {f["name"]: f for section in json.loads(text)["sections"] for f in section["figures"]}
    assert figures["aoi top, boards"]["boards"] == bad
    assert figures["DPMO, index"]["boards"] == []
    _, words = ask(capsys, "yield", "--list", "aoi top, boards")
    assert ", ".join(bad) in " ".join(words.split())
    _, chart = ask(capsys, "charts", "failed", "--station", "aoi", "--per", "hour", "--json", "--list")
    assert json.loads(chart)["view"] == "charts"


def test_a_rule_that_is_hit_is_marked_and_named_and_the_code_says_so(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    code, words = ask(capsys, "charts", "reading:zone_1", "--rules", "limits")
    assert code == 1
    assert "X 2026-03-02 09:50:00: WE1, one point beyond 3 sigma" in words
    quiet, told = ask(capsys, "charts", "reading:zone_1", "--rules", "limits", "--to", "2026-03-02T09:40:00Z")
    assert quiet == 0
    assert "no rule is hit" in " ".join(told.split())


def test_too_few_values_are_refused_politely(record: MemoryStore, capsys: pytest.CaptureFixture[str]) -> None:
    code, words = ask(
        capsys,
        "capability",
        "reading:zone_1",
        "--lower",
        "230",
        "--upper",
        "250",
        "--to",
        "2026-03-02T09:10:00Z",
    )
    assert code == 0
    assert "too few values for an index that means something (11, 25 are needed)" in " ".join(words.split())


def test_a_study_of_a_table_as_published(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """AIAG's example by average and range: gauge 26.68 % of the study, 5 categories; by analysis of variance 27.86 %, 4."""
    rows = ["appraiser,part,trial,value"]
    for who, trials in AIAG.items():
        for trial, values in enumerate(trials, start=1):
            rows += [f"{who},{part},{trial},{value}" for part, value in enumerate(values, start=1)]
    path = tmp_path / "study.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    for method, share, categories in (("range", 26.68, 5), ("anova", 27.86, 4)):
        assert main(["quality", "gauge", "--file", str(path), "--method", method, "--json"]) == 1
        document = json.loads(capsys.readouterr().out)
        Draft202012Validator(FILES["quality.json"]()).validate(document)
        figures = {f["name"]: f for f in document["sections"][0]["figures"]}
        assert figures["gauge"]["details"]["% of study"] == pytest.approx(share, abs=0.006)
        assert figures["distinct categories"]["value"] == categories


def test_a_chart_as_svg(record: MemoryStore, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    for path in (first, second):
        ask(capsys, "charts", "reading:zone_1", "--svg", str(path))
    assert first.read_bytes() == second.read_bytes()
    assert b"WE1" in first.read_bytes()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["charts", "speed:zone_1"], "reading:NAME"),
        (["charts", "reading:zone_1", "--kind", "pie"], "there are i-mr"),
        (["charts", "reading:zone_1", "--rules", "mine"], "there are limits"),
        (["charts", "failed", "--per", "moon"], "expected hour"),
        (["capability", "failed"], "counts have no limits"),
        (["capability", "reading:zone_1"], "has no limits in the record"),
        (["yield", "--by", "colour"], "there are station"),
        (["yield", "--class", "bridge"], "WORD=component"),
        (["yield", "--level", "2"], "between 0 and 1"),
        (["yield", "--shift", "6-14"], "expected 06:00-14:00"),
        (["occurrence", "--bands", "low"], "expected numbers"),
        (["occurrence", "--within", "mood"], "--within mood"),
        (["gauge", "--file", "/nowhere.csv"], "cannot be read"),
        (["gauge", "--svg", "x.svg"], "nothing to draw"),
    ],
)
def test_what_makes_no_sense_is_said(
    record: MemoryStore, capsys: pytest.CaptureFixture[str], arguments: list[str], told: str
) -> None:
    assert main(["quality", *arguments, "--record", "sqlite:///any"]) == 2
    assert told in capsys.readouterr().err


def test_a_value_that_is_not_there_is_answered_with_those_that_are(
    record: MemoryStore, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["quality", "charts", "reading:zone_9", "--record", "sqlite:///any"]) == 1
    assert "there are: zone_1" in capsys.readouterr().err


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys\nfrom broker_bridge.cli.main import main\n"
        "try:\n    main(['quality', 'yield', '--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'matplotlib', 'rich', 'pydantic', 'sqlite3'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True, stdout=subprocess.DEVNULL, timeout=30)

"""`flow` as a person or a program calls it."""

import csv
import io
import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from memory_store import MemoryStore
from told import Told, at, panel, recorded

from broker_bridge.cli.main import main
from broker_bridge.queries import record as opening
from broker_bridge.schemas.files import FILES

STATIONS = {"print": 10.0, "place": 20.0, "aoi": 8.0}
VIEWS = ("line", "stations", "changes", "time")


def clock(seconds: float) -> str:
    return (at("08:00:00") + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")


def line() -> Told:
    """A line without buffers, twenty panels, the middle station slow; one stop of a minute behind them."""
    told = Told()
    free = dict.fromkeys(STATIONS, 0.0)
    names = list(STATIONS)
    for number in range(20):
        name, time = f"panel==P{number:02}", free["print"]
        for place, station in enumerate(names):
            arrived, done = time, time + STATIONS[station]
            following = names[place + 1] if place + 1 < len(names) else None
            left = max(done, free[following]) if following else done
            told.say("board.arrived", clock(arrived), panel(name), station=station, how="transferred")
            told.say(
                "work.completed", clock(done), panel(name), station=station, outcome="completed",
                started=at(clock(arrived)), ended=at(clock(done)), program={"name": "=A" if number < 10 else "=B"},
                part={"number": "X"},
            )  # fmt: skip
            told.say("board.departed", clock(left), panel(name), station=station, how="transferred")
            free[station] = time = left
    for seconds, state in ((0, "productive"), (200, "unscheduled_down"), (260, "productive")):
        told.say("station.state_changed", clock(seconds), station="aoi", state=state, native=state)
    told.say("station.alarm_raised", clock(200), station="aoi", code="E-7", alarm="1", severity="error")
    told.say("station.alarm_cleared", clock(260), station="aoi", code="E-7", alarm="1")
    return told


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    store = MemoryStore()
    recorded(store, line().facts)
    monkeypatch.setattr(opening, "SqliteReader", lambda path: store.reader)
    monkeypatch.setattr(opening, "index_path", lambda path: tmp_path / "index.db")

    def call(*words: str) -> tuple[int, str, str]:
        code = main(["flow", *words, "--record", "sqlite:///any"])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


@pytest.mark.parametrize("view", VIEWS)
def test_json_is_as_its_schema_says(cli, view: str) -> None:
    code, out, _ = cli(view, "--json", "--list")
    found = json.loads(out)
    Draft202012Validator(FILES["quality.json"]()).validate(found)
    assert found["view"] == view
    assert found["as_of"]["commit"] > 0
    assert code == (1 if found["found"] else 0)
    assert any(figure["boards"] for section in found["sections"] for figure in section["figures"])


def test_a_figure_lists_its_boards_only_when_asked(cli) -> None:
    found = json.loads(cli("line", "--json")[1])
    assert not any(figure["boards"] for section in found["sections"] for figure in section["figures"])


@pytest.mark.parametrize("view", VIEWS)
def test_a_spreadsheet_takes_nothing_for_a_formula(cli, view: str) -> None:
    rows = list(csv.reader(io.StringIO(cli(view, "--csv", "--list")[1])))
    assert len(rows) > 2
    assert len({len(row) for row in rows}) == 1
    assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for row in rows for cell in row)


def test_the_sentence_says_what_it_means_and_how_sure_it_is(cli) -> None:
    code, out, _ = cli("line")
    words = " ".join(out.split())
    assert code == 1
    assert "20 passes" in words
    assert "surely place held it up" in words
    assert "As of commit" in words
    assert "holds, as it has to" in words


def test_time_of_one_station(cli) -> None:
    code, out, _ = cli("time", "--station", "aoi", "--oee", "e79")
    words = " ".join(out.split())
    assert code == 1
    assert "aoi was down unplanned the longest" in words
    assert "60 s" in words
    assert "OEE (SEMI E79)" in words
    assert "rate efficiency" in words
    assert "E-7" in words


def test_a_time_span_and_a_shift_narrow_it(cli) -> None:
    found = json.loads(cli("stations", "--station", "aoi", "--since", "2026-03-02T08:03:00Z", "--json")[1])
    visits = next(f for f in found["sections"][0]["figures"] if f["name"] == "visits")
    assert 0 < visits["value"] < 20
    assert "no visit" in cli("line", "--shift", "20:00-22:00")[1].lower()


def test_a_picture(cli, tmp_path: Path) -> None:
    cli("line", "--svg", str(tmp_path / "flow.svg"))
    assert "cycle of each station" in (tmp_path / "flow.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("line", "--faster", "print"), "expected STATION=SECONDS"),
        (("line", "--faster", "oven=3"), "its cycle is not known"),
        (("time", "--oee", "best"), "--oee best"),
        (("time", "--ideal", "oven=3"), "no such station"),
        (("time", "--good", "7"), "a share from 0 to 1"),
        (("time", "--planned", "-1"), "hours, above 0"),
        (("line", "--level", "2"), "a share between 0 and 1"),
        (("line", "--shift", "noon"), "expected 06:00-14:00"),
    ],
)
def test_wrong_words_are_answered(cli, words: tuple[str, ...], why: str) -> None:
    code, _, err = cli(*words)
    assert code == 2
    assert why in err


def test_an_option_that_does_not_fit_is_not_taken(cli) -> None:
    with pytest.raises(SystemExit) as ended:
        cli("line", "--designator", "R1")
    assert ended.value.code == 2


def test_help_has_an_example_and_loads_nothing_heavy() -> None:
    script = (
        "import sys\nfrom broker_bridge.cli.main import main\n"
        "try:\n    main(['flow', '--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'matplotlib', 'rich', 'pydantic', 'sqlite3'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", script], check=True, capture_output=True, text=True, timeout=60
    )
    assert "example: broker-bridge flow line" in told.stdout

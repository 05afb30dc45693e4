"""`demo` as a newcomer and as a program call it: real broker, sockets and files, in a process of its own."""

import json
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from broker_bridge.cli.main import main
from broker_bridge.store.sqlite_reader import SqliteReader

PATIENCE_S = 50


def demo(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "broker_bridge", "demo", "--data", str(folder), *words],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def truth_of(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (folder / "truth.jsonl").read_text("utf-8").splitlines()]


def types_of(folder: Path) -> Counter[str]:
    reader = SqliteReader(folder / "record.db")
    try:
        return Counter(fact.type for fact in reader.after(0, 100_000))
    finally:
        reader.close()


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A demo that made all its boards: its folder, and what it printed."""
    folder = tmp_path_factory.mktemp("whole") / "plant"
    done = demo("--exit", "--boards", "16", "--seed", "9", folder=folder)
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


def test_it_shows_a_board_and_what_to_try_next(whole: tuple[Path, str]) -> None:
    folder, told = whole
    assert "invented data" in told
    assert str(folder / "record.db") in told
    assert "Route:" in told
    assert "inspections" in told.lower()
    assert "A clean history is not a release" in told
    assert "quarantine list" in told


def test_it_leaves_record_truth_and_configuration(
    whole: tuple[Path, str], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = whole
    assert {"record.db", "truth.jsonl", "plant.toml", "mappings", "machines"} <= {
        path.name for path in folder.iterdir()
    }
    assert main(["verify", "--config", str(folder / "plant.toml")]) == 0
    assert main(["quarantine", "list", "--config", str(folder / "plant.toml")]) == 0
    capsys.readouterr()


def test_everything_that_was_written_is_in_the_record(whole: tuple[Path, str]) -> None:
    folder, _ = whole
    truth = truth_of(folder)
    said = types_of(folder)
    visits = Counter(line["station"] for line in truth if line["kind"] == "visit")
    assert said["inspection.completed"] == visits["SPI"] + visits["AOI"]
    assert said["inspection.test_completed"] == visits["TEST"]
    assert said["inspection.reviewed"] == sum(line["kind"] == "review" for line in truth)
    assert said["board.arrived"] == said["board.departed"]
    assert not said["source.rejected"]
    assert not said["source.gap"]


def test_every_board_has_its_visits(whole: tuple[Path, str], capsys: pytest.CaptureFixture[str]) -> None:
    folder, _ = whole
    truth = truth_of(folder)
    boards = {line["board"]: line for line in truth if line["kind"] == "board"}
    for serial, board in list(boards.items())[::5]:
        true = Counter(
            line["station"].lower()
            for line in truth
            if line["kind"] == "visit" and line["board"] == serial and line["station"] != "TEST"
        )
        code = main(
            ["board", board["panel"], "--position", str(board["position"]), "--json",
             "--config", str(folder / "plant.toml")]
        )  # fmt: skip
        history = json.loads(capsys.readouterr().out)
        assert code == 0, history["findings"]
        route = Counter(visit["station"] for visit in history["route"] if visit["station"] != "test")
        assert route == true
        assert {visit["certainty"] for visit in history["route"]} == {"observed"}


def test_a_bad_day_at_a_stated_speed_has_gaps_and_ends_well(tmp_path: Path) -> None:
    folder = tmp_path / "plant"
    done = demo("--exit", "--boards", "24", "--faults", "rough", "--speed", "1800", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    left = json.loads(done.stdout)
    assert left["record"] == str(folder / "record.db")
    said = types_of(folder)
    assert left["events"] == said.total()
    assert said["source.gap"]
    assert any(line["kind"] == "fault" and line["what"] == "connection_cut" for line in truth_of(folder))


def test_in_a_bad_day_that_is_caught_up_with_no_connection_is_cut(tmp_path: Path) -> None:
    folder = tmp_path / "plant"
    done = demo("--exit", "--boards", "24", "--faults", "rough", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    faults = Counter(line["what"] for line in truth_of(folder) if line["kind"] == "fault")
    assert faults
    assert not faults.keys() & {"connection_cut", "clock_offset", "clock_drift", "clock_step"}
    assert not types_of(folder)["source.gap"]


@pytest.fixture
def live(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A demo that stays live; ended by its own process id whatever happens."""
    process = subprocess.Popen(
        [sys.executable, "-m", "broker_bridge", "demo", "--boards", "30", "--data", str(tmp_path / "plant")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE_S)


def test_live_it_says_what_to_try_and_ends_when_told(live: subprocess.Popen[str]) -> None:
    assert live.stdout is not None
    told = []
    for line in live.stdout:
        told.append(line)
        if line.startswith("Ctrl-C"):
            break
    told_text = "".join(told)
    for word in ("watch", "board", "check", "invented"):
        assert word in told_text
    live.send_signal(signal.SIGINT)
    _, errors = live.communicate(timeout=PATIENCE_S)
    assert live.returncode == 0, errors
    assert "Traceback" not in errors


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--boards", "0"), "--boards 0"),
        (("--speed", "0"), "--speed 0"),
        (("--speed", "nan"), "--speed nan"),
    ],
)
def test_what_cannot_be_is_a_usage_error(
    words: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--data", str(tmp_path / "plant"), *words]) == 2
    assert said in capsys.readouterr().err


def test_a_folder_that_holds_something_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["demo", "--data", str(tmp_path)]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_an_unknown_profile_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--data", str(tmp_path / "plant"), "--faults", "stormy"]) == 3
    assert "stormy" in capsys.readouterr().err
    assert not (tmp_path / "plant").exists()

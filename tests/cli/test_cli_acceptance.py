"""A count by hand against the record of the invented plant: its own truth is what a person would have counted."""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from broker_bridge.cli.acceptance_words import LINES, WIDTH
from broker_bridge.cli.main import main
from broker_bridge.demo.virtual import Run, record_run
from broker_bridge.schemas.files import FILES


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return record_run(tmp_path_factory.mktemp("clean"), 32, 3, "clean", lambda *told: None)


def pieces(run: Run, station: str) -> list[datetime]:
    """When the pieces that a person sees left a station: a panel is one until it is depaneled."""
    panels, left = {}, {}
    for line in run.truth.read_text(encoding="utf-8").splitlines():
        told = json.loads(line)
        if told["kind"] == "board":
            panels[told["board"]] = told["panel"]
        elif told["kind"] == "visit" and told["station"] == station.upper() and told["departed"]:
            piece = told["board"] if station == "test" else panels[told["board"]]
            left[piece, told["departed"]] = datetime.fromisoformat(told["departed"])
    return sorted(left.values())


def compare(run: Run, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict]:
    capsys.readouterr()
    code = main(["check", str(run.config), "--json", *words])
    (told,) = json.loads(capsys.readouterr().out)
    Draft202012Validator(FILES["acceptance.json"]()).validate(told)
    return code, told


def window(times: list[datetime]) -> Iterator[str]:
    """A window with two thirds of the pieces, its limits between two of them."""
    third = len(times) // 6
    yield (times[third] + timedelta(seconds=1)).isoformat()
    yield (times[-third] + timedelta(seconds=1)).isoformat()


@pytest.mark.parametrize("station", ["print", "spi", "place1", "aoi", "test"])
def test_the_record_counts_what_passed(clean: Run, station: str, capsys: pytest.CaptureFixture[str]) -> None:
    times = pieces(clean, station)
    since, until = window(times)
    counted = sum(datetime.fromisoformat(since) <= time < datetime.fromisoformat(until) for time in times)
    assert counted > 5
    code, told = compare(
        clean, capsys, "--acceptance", station, "--from", since, "--to", until, "--counted", str(counted)
    )
    assert (told["recorded"], told["difference"], told["counting"]) == (counted, 0, "departed")
    assert told["departed"] == {"observed": counted, "inferred": 0, "conflicting": 0}
    assert (code, told["agrees"]) == (0, True)
    if station in ("spi", "aoi", "test"):
        assert told["inspected"]["observed"] > 0


def test_a_difference_is_told_and_pieces_at_the_limits_are_named(
    clean: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    times = pieces(clean, "aoi")
    since, until = window(times)
    words = ["--acceptance", "aoi", "--from", since, "--to", until, "--near", "5"]
    code, told = compare(clean, capsys, *words, "--counted", "1")
    assert code == 1
    assert told["difference"] == told["recorded"] - 1
    assert {near["inside"] for near in told["near"]} == {True, False}
    assert all(abs(near["seconds"]) <= 5 for near in told["near"])


def test_one_page_with_a_place_to_sign(
    clean: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "page.txt"
    since, until = window(pieces(clean, "aoi"))
    args = ["check", str(clean.config), "--acceptance", "aoi", "--from", since, "--to", until, "--counted", "2",
            "--near", "900", "--output", str(output), "--zone", "Europe/Lisbon"]  # fmt: skip
    assert main(args) == 1
    told = capsys.readouterr().out
    assert output.read_text(encoding="utf-8") == told
    lines = told.splitlines()
    assert len(lines) <= LINES
    assert max(map(len, lines)) <= WIDTH
    assert "THE COUNTS DIFFER" in told
    assert "no release of product" in " ".join(told.split())
    assert "Signature" in lines[-1]


def test_a_file_of_counts(clean: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    since, until = window(pieces(clean, "spi"))
    sheet = tmp_path / "counts.csv"
    sheet.write_text(
        f"station,lane,from,to,counted,counting\nspi,1,{since},{until},1,\naoi,,{since},{until},2,arrived\n"
    )
    assert main(["check", str(clean.config), "--counts", str(sheet), "--json"]) == 1
    first, second = json.loads(capsys.readouterr().out)
    assert (first["lane"], first["counted"], second["counting"]) == (1, 1, "arrived")
    toml = tmp_path / "counts.toml"
    toml.write_text(f'[[count]]\nstation = "spi"\nlane = 1\nfrom = {since}\nto = {until}\ncounted = 1\n')
    assert main(["check", str(clean.config), "--counts", str(toml), "--json"]) == 1
    assert json.loads(capsys.readouterr().out) == [first]


def test_while_the_window_is_not_over_nothing_agrees(clean: Run, capsys: pytest.CaptureFixture[str]) -> None:
    times = pieces(clean, "aoi")
    counted = sum(time >= times[-3] for time in times)
    code, told = compare(
        clean, capsys, "--acceptance", "aoi", "--from", times[-3].isoformat(), "--counted", str(counted),
        "--to", (clean.end + timedelta(hours=1)).isoformat(),
    )  # fmt: skip
    assert (code, told["difference"], told["agrees"]) == (1, 0, False)
    assert told["behind"]


def test_what_cannot_be_compared_is_refused(clean: Run, capsys: pytest.CaptureFixture[str]) -> None:
    base = ["check", str(clean.config), "--acceptance", "aoi"]
    assert main([*base, "--from", "2026-03-02T06:00Z"]) == 2
    assert main([*base, "--from", "now", "--to", "2026-03-02T06:00Z", "--counted", "1"]) == 2
    assert main([*base, "--from", "2026-03-02T07:00Z", "--to", "2026-03-02T06:00Z", "--counted", "1"]) == 2
    assert (
        main(
            [
                *base[:-1],
                "nowhere",
                "--from",
                "2026-03-02T07:00Z",
                "--to",
                "2026-03-02T08:00Z",
                "--counted",
                "1",
            ]
        )
        == 1
    )
    assert "said of were" in capsys.readouterr().err

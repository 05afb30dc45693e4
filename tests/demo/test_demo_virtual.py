"""The line in virtual time, scored against its own truth."""

import json
import sqlite3
import sys
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

from broker_bridge.demo.virtual import Run, record_run
from broker_bridge.errors import UsageError
from broker_bridge.events.union import parse_event
from broker_bridge.simulate import Profile, load_profile
from broker_bridge.store.sqlite_reader import SqliteReader

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))
from score_history import Score, score


def run(folder: Path, profile: Profile | str, boards: int = 60, seed: int = 5) -> Run:
    return record_run(folder, boards, seed, profile, lambda *_: None)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Run]:
    folder = tmp_path_factory.mktemp("clean")
    return folder, run(folder, "clean")


@pytest.fixture(scope="module")
def rough(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Score]:
    folder = tmp_path_factory.mktemp("rough")
    run(folder, "rough", boards=90, seed=11)
    return folder, score(folder)


def test_clean_equals_the_truth(clean: tuple[Path, Run]) -> None:
    counts = score(clean[0]).counts
    assert counts["boards"] >= 60
    assert counts["visits"] == counts["visits right"] == counts["visits observed"] > 16 * counts["boards"]
    assert counts["calls"] == counts["calls right"]
    assert counts["verdicts"] == counts["verdicts right"]
    assert not any(counts[name] for name in counts if "wrong" in name or "unmatched" in name)
    assert counts["gaps"] == counts["findings"] == counts["faults: not accounted for"] == 0


def test_rough_tells_nothing_as_observed_that_is_not_so(rough: tuple[Path, Score]) -> None:
    _, result = rough
    assert sum(count for name, count in result.counts.items() if name.startswith("faults")) > 50
    assert result.wrong == 0, result.differences
    assert result.counts["visits right"] > 0.97 * result.counts["visits"]


def test_every_event_is_one_the_wire_would_take(clean: tuple[Path, Run]) -> None:
    with closing(SqliteReader(clean[1].record)) as reader:
        numbers = range(1, reader.head().number + 1, 7)
        for number in numbers:
            parse_event(reader.body(number))
        assert reader.head().number == clean[1].events
        assert all(progress.missing() == () for progress in reader.progress())
        assert all(damage is None for damage in reader.verify())


def test_sources_are_those_of_a_live_plant(clean: tuple[Path, Run]) -> None:
    with closing(sqlite3.connect(clean[1].record)) as record:
        sources = {name.rpartition("/")[2] for (name,) in record.execute("SELECT name FROM sources")}
    assert {"load-files", "aoi-files", "transfer-panels", "transfer-boards"} <= sources
    text = clean[1].config.read_text(encoding="utf-8")
    assert all(f'name = "{source}"' in text for source in sources)


def test_the_same_run_gives_the_same_record(tmp_path: Path) -> None:
    bodies = []
    for name in ("one", "two"):
        result = run(tmp_path / name, load_profile("rough"), boards=12)
        with closing(SqliteReader(result.record)) as reader:
            bodies.append([reader.body(n) for n in range(1, reader.head().number + 1)])
    assert bodies[0] == bodies[1]


def test_a_cut_connection_is_a_stated_gap(rough: tuple[Path, Score]) -> None:
    folder, _ = rough
    with (folder / "truth.jsonl").open(encoding="utf-8") as lines:
        cuts = Counter(
            entry["where"].lower()
            for entry in map(json.loads, lines)
            if entry["kind"] == "fault" and entry["what"] == "connection_cut"
        )
    with closing(SqliteReader(folder / "record.db")) as reader:
        stated = Counter(
            fact.data["station"]
            for fact in reader.after(0, 100_000)
            if fact.type == "source.gap" and fact.revision == 1 and fact.data["cause"] == "away"
        )
    assert cuts
    assert stated == cuts


def test_a_folder_that_holds_a_record_is_refused(clean: tuple[Path, Run]) -> None:
    with pytest.raises(UsageError, match="there already"):
        run(clean[0], "clean")

"""The committed results are what the committed table tells, and every sweep went to its end."""

import json
from collections import defaultdict

import pytest
from campaigning import FOLDER, require_fuse, tool


def lives() -> list[dict]:
    return [json.loads(line) for line in (FOLDER / "results.jsonl").read_text(encoding="utf-8").splitlines()]


def test_the_table_is_made_of_the_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    require_fuse()  # the tool loads its disk
    table = tool("campaign", monkeypatch).table(lives())
    assert table in (FOLDER / "RESULTS.md").read_text(encoding="utf-8")


def test_each_sweep_left_out_no_number_and_ended_without_a_hit() -> None:
    hits: dict[tuple[str, str], dict[int, bool]] = defaultdict(dict)
    for life in lives():
        if life["kind"].startswith("nth-"):
            assert "failed" not in life
            hits[life["kind"], life["broker"]][life["seed"]] = bool(life["strikes"].get("hit"))
    assert len(hits) == 10, "five operations on two brokers"
    for sweep, found in hits.items():
        assert sorted(found) == list(range(1, len(found) + 1)), sweep
        assert not any(found[seed] for seed in sorted(found)[-5:]), sweep


def test_no_life_lost_doubled_or_misplaced_anything() -> None:
    faults = (
        "lost",
        "broken",
        "unexpected",
        "doubled",
        "disordered",
        "misplaced",
        "altered",
        "holes",
        "unlike",
    )
    for life in lives():
        assert not any(life.get(fault) for fault in faults), life

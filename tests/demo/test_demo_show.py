"""What a demo plans, and which board it shows."""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from broker_bridge.demo.show import Demo, Shown, plan, what_runs, worth_a_look
from broker_bridge.errors import NotFound
from broker_bridge.simulate import Profile, load_profile


def demo(profile: Profile, *, speed: float | None = None, boards: int = 60) -> Demo:
    return Demo(Path(), boards, 7, profile, speed, whole=True)


def test_clocks_that_cannot_be_judged_are_right() -> None:
    rough = load_profile("rough")
    assert rough.clock
    assert what_runs(demo(rough)) == replace(rough, clock=())
    assert what_runs(demo(rough, speed=1.0)) == rough


def test_the_plan_ends_with_the_last_board_and_looks_at_a_busy_line() -> None:
    planned = plan(demo(load_profile("clean"), boards=300))
    assert timedelta(hours=1) < planned.end < timedelta(hours=12)
    assert timedelta(minutes=30) <= planned.busy < planned.end


def test_the_smallest_plant_has_a_plan() -> None:
    planned = plan(demo(load_profile("clean"), boards=1))
    assert planned.busy <= planned.end


def lines(*entries: dict[str, object]) -> str:
    return "".join(json.dumps(entry) + "\n" for entry in entries)


def a_board(serial: str, position: int, purpose: str = "production") -> dict[str, object]:
    return {"kind": "board", "board": serial, "panel": "P", "position": position, "purpose": purpose}


def a_review(serial: str, verdict: str, *, real: bool) -> dict[str, object]:
    return {"kind": "review", "board": serial, "verdict": verdict, "real": real}


BOARDS = (a_board("A", 1, "skipped"), a_board("B", 2), a_board("C", 3), a_board("D", 4))


@pytest.mark.parametrize(
    ("more", "position"),
    [
        ((), 2),
        ((a_review("C", "false_call", real=False),), 3),
        ((a_review("C", "false_call", real=False), a_review("D", "defect", real=True)), 4),
        ((a_review("C", "defect", real=False), a_review("D", "false_call", real=True)), 3),
    ],
    ids=["the first", "one that was judged", "one with a defect", "no confirmed defect"],
)
def test_the_most_telling_board_is_shown(
    tmp_path: Path, more: tuple[dict[str, object], ...], position: int
) -> None:
    truth = tmp_path / "truth.jsonl"
    truth.write_text(lines(*BOARDS, *more), encoding="utf-8")
    assert worth_a_look(truth) == Shown("P", position)


def test_a_plant_without_boards_has_none_to_show(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    truth.write_text(lines(a_board("A", 1, "skipped")), encoding="utf-8")
    with pytest.raises(NotFound):
        worth_a_look(truth)

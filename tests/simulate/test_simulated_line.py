"""Physics of the line: nothing is made or lost, nothing lies where something lies, nothing is before its cause."""

import json
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from broker_bridge.simulate import PARTS
from broker_bridge.simulate.model.line import Line
from broker_bridge.simulate.model.records import Transfer, Utterance
from broker_bridge.simulate.model.reflow import PITCH_S
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Handling, Printing, Profile, load_profile

ORIGIN = datetime(2026, 3, 2, 6, tzinfo=UTC)
HANDS = replace(
    load_profile("rough"),
    handling=Handling(removed=0.05, turned=0.1, skipped_positions=0.1),
    printing=Printing(wash_reprint=0.1),
)
PROFILES = {"clean": Profile(), "rough": load_profile("rough"), "hands": HANDS}


@cache
def run(
    profile: str, seed: int = 3, boards: int = 150
) -> tuple[list[Utterance], dict[str, list[dict[str, Any]]]]:
    """What was said, and what is true by kind, with times as numbers."""
    said, truth = [], defaultdict(list)
    for item in Line(seed, boards, PROFILES[profile]).run():
        if isinstance(item, Truth):
            truth[item.kind] += [{"board": board, **item.fields} for board in item.boards or ("",)]
        else:
            said.append(item)
    return said, truth


@settings(max_examples=8, deadline=None)
@example(seed=28, boards=116, profile="hands")  # given up on its second side, a panel was once counted twice
@given(seed=st.integers(0, 10_000), boards=st.integers(1, 80), profile=st.sampled_from(sorted(PROFILES)))
def test_panels_in_are_panels_out_in_process_or_removed(seed: int, boards: int, profile: str) -> None:
    line = Line(seed, boards, PROFILES[profile])
    census = line.shop.census
    for _ in line.run():
        assert census.introduced == census.finished + census.removed + line.in_process()
        for station in line.stations[1:]:
            assert len(station.entrance.conveyor) <= station.entrance.capacity
    assert line.in_process() == 0
    assert census.introduced == sum(order.panels for order in line.orders)
    assert census.introduced * max(part.positions for part in PARTS) >= boards


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_one_place_holds_one_panel_at_a_time(profile: str) -> None:
    _, truth = run(profile)
    panel_of = {line["board"]: line["panel"] for line in truth["board"]}
    stays: dict[tuple[str, str], set[tuple[float, float, str]]] = defaultdict(set)
    for visit in truth["visit"]:
        alone = visit["station"] == "TEST" or visit["place"] == "bench-2"
        thing = visit["board"] if alone else panel_of[visit["board"]]
        stays[visit["station"], visit["place"]].add((visit["arrived"], visit["departed"], thing))
    assert {station for station, _ in stays} >= {
        "LOAD",
        "PRINT",
        "SPI",
        "JET",
        "PLACE1",
        "PLACE2",
        "OVEN",
        "AOI",
        "TEST",
    }
    for (station, place), visits in stays.items():
        for before, after in pairwise(sorted(visits)):
            if station == "OVEN":
                assert after[0] - before[0] >= PITCH_S - 1e-6
                assert after[1] >= before[1]  # first in, first out
            else:
                assert after[0] >= before[1], (station, place, before, after)


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_visits_of_a_board_follow_each_other_in_the_order_of_the_line(profile: str) -> None:
    _, truth = run(profile)
    visits = defaultdict(list)
    for visit in truth["visit"]:
        assert visit["departed"] >= visit["arrived"] >= 0
        visits[visit["board"]].append(visit)
    assert visits
    scrapped = {line["board"] for line in truth["disposition"]}
    for own in visits.values():
        if own[0]["board"].startswith("REF"):
            continue
        own.sort(key=lambda visit: (visit["arrived"], visit["departed"]))
        assert own[0]["station"] == "LOAD"
        for before, after in pairwise(own):
            assert after["arrived"] >= before["departed"]
        if own[0]["board"] in scrapped:
            continue
        for side in ("bottom", "top"):
            stations = [visit["station"] for visit in own if visit["side"] == side]
            for station in ("PLACE1", "PLACE2", "OVEN"):
                assert stations.count(station) == 1  # only printing and inspection repeat
        last = own[-1]
        assert (last["station"], last["outcome"]) == ("TEST", "passed") or last["outcome"] == "skipped"


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_passes_count_up_from_one(profile: str) -> None:
    _, truth = run(profile)
    passes = defaultdict(list)
    for visit in truth["visit"]:
        if not visit["place"].startswith("bench"):
            passes[visit["board"], visit["station"], visit["side"]].append(visit["pass"])
    for (_, station, _), numbers in passes.items():
        if station != "REVIEW":  # its bench counts as well
            assert numbers == list(range(1, len(numbers) + 1))


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_every_placed_designator_has_exactly_one_lot(profile: str) -> None:
    _, truth = run(profile)
    boards = {line["board"]: line for line in truth["board"]}
    scrapped = {line["board"] for line in truth["disposition"]}
    placed = defaultdict(list)
    for material in truth["material"]:
        if material["station"] in ("PLACE1", "PLACE2"):
            placed[material["board"]] += material["designators"]
    by_number = {part.number: part for part in PARTS}
    for serial, board in boards.items():
        if board["purpose"] != "production":
            assert serial not in placed
        elif serial not in scrapped:
            sides = by_number[board["part"]].sides
            expected = sorted(c.designator for side in sides for c in side.components)
            assert sorted(placed[serial]) == expected


def test_what_reels_gave_is_what_boards_got() -> None:
    said, truth = run("clean")
    fed: dict[str, int] = defaultdict(int)
    for record, _ in said:
        if type(record).__name__ == "Placed":
            for _, _, reel, _, quantity, _ in record.feeds:  # type: ignore[union-attr]
                fed[reel] += quantity
    got: dict[str, int] = defaultdict(int)
    for material in truth["material"]:
        if material["station"] in ("PLACE1", "PLACE2"):
            got[material["reel"]] += len(material["designators"])
    assert fed == got


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_every_arrival_has_its_departure_and_ids_are_not_shared(profile: str) -> None:
    said, _ = run(profile)
    here: dict[tuple[str, str], float] = {}
    owner: dict[str, str | None] = {}
    for record, panel in said:
        if not isinstance(record, Transfer):
            continue
        assert owner.setdefault(record.transfer_id, panel) == panel
        key = (record.station, record.transfer_id)
        if record.arrived:
            assert key not in here
            here[key] = record.at
        else:
            assert record.at >= here.pop(key)
    assert not here


def test_records_are_written_after_their_work() -> None:
    said, _ = run("rough")
    times = [record.at for record, _ in said]
    assert times == sorted(times)
    for record, _ in said:
        started = getattr(record, "started", None)
        assert started is None or started <= record.at


def test_blocking_and_starving_happen() -> None:
    """The slowest station runs without waiting; the one before it waits for room."""
    _, truth = run("clean", seed=3, boards=150)
    top = [v for v in truth["visit"] if v["side"] == "top"]
    stay = {
        station: sorted(v["departed"] - v["arrived"] for v in top if v["station"] == station)
        for station in ("LOAD", "JET")
    }
    assert (
        stay["LOAD"][len(stay["LOAD"]) // 2] > 10.0 + 2 * 4
    )  # loads in 8 s and engraves nothing: it waits for room
    assert stay["JET"][0] < 10.0


def test_truth_lines_are_json_with_kind_first_and_utc_times() -> None:
    for item in Line(1, 12, PROFILES["rough"]).run():
        if isinstance(item, Truth):
            for line in item.lines(ORIGIN):
                fields = json.loads(line)
                assert next(iter(fields)) == "kind"
                for key in ("arrived", "departed", "at", "when"):
                    if key in fields:
                        moment = datetime.fromisoformat(fields[key])
                        assert fields[key].endswith("Z")
                        assert moment >= ORIGIN


def test_speed_compresses_the_stamps() -> None:
    truth = Truth(60.0, "fault", (), {"what": "x", "when": 60.0})
    assert '"2026-03-02T06:00:01.000Z"' in truth.lines(ORIGIN, speed=60.0)[0]

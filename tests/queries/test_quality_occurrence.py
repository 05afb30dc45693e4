"""Where defects came to be: causes that were put in are found and ranked first; the top-up loop; controls."""

from collections import Counter

import numpy as np
import pytest
from quality_runs import Opened, Run
from told import Told, board, call, verdict

from broker_bridge.analysis.risks import Risks, relative_risks
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import read_columns
from broker_bridge.queries.columns_oven import read_oven
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.columns_placements import read_placements
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_looks import defects
from broker_bridge.queries.quality_occurrence import Ground, quality_occurrence
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer, Figure, Section

pytestmark = pytest.mark.timeout(240)  # a run of the plant is made in the first test that asks for it


def ask(record: Record, choice: Choice | None = None, **more: object) -> Answer:
    as_of = record.as_of()
    columns = read_columns(record, as_of)
    affected = {one.board for one in defects(columns, np.ones(len(columns.looks), bool))}
    given = Ground(
        columns, read_parts(record, as_of), read_paste(record, as_of, Choice(), ("volume",)),
        read_placements(record, columns.boards, as_of), read_oven(record, columns.boards, affected, as_of),
    )  # fmt: skip
    return quality_occurrence(given, choice or Choice(), **more)  # type: ignore[arg-type]


def section(answer: Answer, title: str) -> Section:
    (found,) = [one for one in answer.sections if one.title == title]
    return found


def figure(found: Section, name: str) -> Figure:
    (one,) = [one for one in found.figures if one.name == name]
    return one


def test_a_bad_nozzle_is_found_and_ranked_first(printed: Record) -> None:
    answer = ask(printed)
    first = section(answer, "Relative risk").figures[0]
    assert first.name == "nozzle place1 N2"
    assert first.note == "higher"
    assert first.boards
    assert "nozzle place1 N2" in answer.sentence


def test_a_reel_of_poor_parts_is_found_and_ranked_first_and_its_alikes_are_named(reel: Record) -> None:
    first = section(ask(reel), "Relative risk").figures[0]
    kind, _, name = first.name.partition(" ")
    assert kind in ("reel", "lot")
    # The plant's own truth names the reel; its lot may be on no other one.
    assert "RL" in name or "reel RL" in first.details["not told from"]


def test_reels_of_components_are_those_of_the_plants_own_truth(reel: Record, reel_run: Run) -> None:
    true: dict[tuple[str, str], tuple[str, str]] = {}
    for told in reel_run.truth:
        if told["kind"] == "material" and told["station"] in ("PLACE1", "PLACE2"):
            for designator in told["designators"]:
                true[told["board"], designator] = told["reel"], str(told["slot"])
    as_of = reel.as_of()
    columns = read_columns(reel, as_of)
    placements = read_placements(reel, columns.boards, as_of)
    compared: Counter[str] = Counter()
    for code in range(len(columns.boards)):
        for designator, placed in placements.of(code).items():
            key = columns.boards.key(code), designator
            if key in true and placed.reel is not None:
                compared["right" if (placed.reel, placed.slot) == true[key] else "wrong"] += 1
    assert compared["wrong"] == 0
    assert compared["right"] > 0.95 * len(true) > 0


def test_false_alarms_of_relative_risks_stay_below_the_stated_share_on_200_sets_without_a_cause() -> None:
    """Pure analysis, as the view calls it: 5 % for all levels of all factors together."""
    chance = np.random.default_rng(5)
    alarms = 0
    for _ in range(200):
        n = 900
        hit = (chance.random(n) < 0.03).tolist()
        factors = {
            name: chance.integers(0, levels, n).tolist()
            for name, levels in (("reel", 12), ("nozzle", 5), ("position", 4))
        }
        found = relative_risks(hit, factors, boards=(np.arange(n) // 10).tolist())
        alarms += bool(
            isinstance(found, Risks) and [r for r in found.risks if r.verdict != "no difference told"]
        )
    assert alarms <= 18


# -- by hand


def looked(
    told: Told, station: str, time: str, serial: str, calls: list[dict[str, object]], method: str = "optical"
) -> None:
    told.inspects(
        station,
        time,
        time,
        board(serial),
        method=method,
        part={"number": "X"},
        outcome="failed" if calls else "passed",
        calls=calls,
    )


def clock(hour: int, number: int) -> str:
    return f"{hour:02}:{number // 60:02}:{number % 60:02}"


def declared(told: Told) -> None:
    told.say(
        "line.part_declared", "06:00:00", source="plan", part={"number": "X"}, valid_from="06:00:00",
        placement=[{"name": f"R{n}", "part": {"number": "RES"}, "terminations": 2} for n in range(4)],
    )  # fmt: skip


def test_a_top_up_that_works_nine_of_ten_times_against_pads_left_alone(told_by_hand: Opened) -> None:
    """100 pads called low: 60 topped up, 54 of them good afterwards; 40 left alone, 10 of them good."""
    told = Told()
    declared(told)
    for number in range(100):
        serial = f"B{number:03}"
        looked(told, "spi", clock(8, number), serial, [call("R1", "low", termination="1")], "paste")
        topped = number < 60
        if topped:
            told.say(
                "inspection.paste_topped_up", clock(9, number), board(serial), station="jet", outcome="completed",
                places=[{"designator": "R1", "termination": "1"}],
            )  # fmt: skip
        good = number < 54 or 60 <= number < 70
        looked(
            told,
            "aoi",
            clock(10, number),
            serial,
            [] if good else [call("R1", "insufficient_solder", termination="1")],
        )
        if not good:
            told.say(
                "inspection.reviewed", clock(11, number), board(serial), station="desk", inspected_at="aoi", inspected=clock(10, number),
                verdicts=[verdict("R1", "confirmed")],
            )  # fmt: skip
    answer = ask(told_by_hand(told.facts))
    found = section(answer, "Top-up loop")
    passed = figure(found, "passed afterwards, topped up")
    assert (passed.number, passed.of, passed.value) == (54, 60, 0.9)
    assert figure(found, "passed afterwards, left alone").value == 0.25
    gain = figure(found, "gain")
    assert gain.value == pytest.approx(0.65)
    assert gain.note == "topped-up pads pass more often"
    assert "54 of 60" in answer.sentence
    printing = figure(section(answer, "Point of occurrence of confirmed defects"), "paste printing")
    assert (printing.number, printing.of) == (36, 36)


def test_a_defect_at_a_place_that_no_paste_inspection_saw_cannot_be_told(told_by_hand: Opened) -> None:
    told = Told()
    declared(told)
    looked(told, "spi", "08:00:00", "A", [call("R1", "low")], "paste")
    looked(told, "spi", "08:00:10", "B", [], "paste")
    for number, serial in enumerate("ABC"):
        looked(told, "aoi", clock(10, number), serial, [call("R1", "open")])
        told.say(
            "inspection.reviewed", clock(11, number), board(serial), station="desk", inspected_at="aoi", inspected=clock(10, number),
            verdicts=[verdict("R1", "confirmed")],
        )  # fmt: skip
    found = section(ask(told_by_hand(told.facts)), "Point of occurrence of confirmed defects")
    assert {one.name: one.boards for one in found.figures} == {
        "paste printing": ("A",), "after the last normal observation": ("B",), "cannot tell": ("C",),
    }  # fmt: skip


def test_a_control_group_is_like_the_affected_boards_and_the_same_again(told_by_hand: Opened) -> None:
    told = Told()
    declared(told)
    for number in range(12):
        bad = number == 0
        looked(told, "aoi", clock(10, number), f"B{number:02}", [call("R1", "open")] if bad else [])
    told.say(
        "inspection.reviewed", "11:00:00", board("B00"), station="desk", inspected_at="aoi", inspected="10:00:00",
        verdicts=[verdict("R1", "confirmed")],
    )  # fmt: skip
    record = told_by_hand(told.facts)
    groups = [
        figure(
            section(ask(record, controls=3, seed=7), "Control group, 3 for each affected board"),
            "control group",
        )
        for _ in "12"
    ]
    assert groups[0].boards == groups[1].boards
    assert len(groups[0].boards) == 3
    assert "B00" not in groups[0].boards


def test_what_an_oven_read_while_the_board_was_inside_comes_before_a_defect(told_by_hand: Opened) -> None:
    told = Told()
    declared(told)
    for number, serial in enumerate("AB"):
        told.passes("oven", f"09:{number}0:00", f"09:{number}5:00", board(serial))
    for minute, value in ((1, 240.0), (3, 270.0), (11, 245.0)):
        told.say(
            "reading.recorded",
            f"09:{minute:02}:00",
            station="oven",
            values=[{"name": "zone_1", "value": value, "lower": 230.0, "upper": 260.0}],
        )
    for number, serial in enumerate("AB"):
        looked(told, "spi", clock(8, number), serial, [], "paste")
        looked(told, "aoi", clock(10, number), serial, [call("R1", "open")])
        told.say(
            "inspection.reviewed", clock(11, number), board(serial), station="desk", inspected_at="aoi", inspected=clock(10, number),
            verdicts=[verdict("R1", "confirmed")],
        )  # fmt: skip
    found = section(ask(told_by_hand(told.facts)), "Point of occurrence of confirmed defects")
    assert figure(found, "reflow oven").boards == ("A",)
    assert figure(found, "after the last normal observation").boards == ("B",)

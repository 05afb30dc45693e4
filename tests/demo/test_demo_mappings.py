"""The demo's mappings against the invented plant's own truth: what its machines wrote, read, is what was."""

from collections import Counter, defaultdict
from itertools import pairwise
from typing import Any

import pytest
from harbour import START, Run

from broker_bridge.adapters.logs import read_bytes
from broker_bridge.adapters.logs.mapping.compiled import compile_mapping
from broker_bridge.demo.plant import MAPPINGS, mapping_text
from broker_bridge.events.inspection import InspectionReworkPerformed
from broker_bridge.simulate import PARTS, numbering, parse_profile

NUMBERED = ("SPI", "JET", "PLACE1", "PLACE2", "AOI")


@pytest.fixture(scope="module")
def clean() -> Run:
    return Run("clean", 150)


@pytest.mark.parametrize("station", NUMBERED)
def test_position_tables_are_the_machines_own(station: str) -> None:
    mapping = compile_mapping(mapping_text(station), station).file
    stated = {(table.part, table.side): table.order for table in mapping.positions}
    assert stated == {
        (part.number, side.name): {
            str(number): position
            for position, number in enumerate(numbering(station, part.number, side.name), 1)
        }
        for part in PARTS
        for side in part.sides
    }


@pytest.mark.parametrize("station", MAPPINGS)
def test_on_a_good_day_nothing_is_rejected_or_doubtful(clean: Run, station: str) -> None:
    assert clean.events[station] or station == "JET"  # nothing had to be topped up
    for statement in clean.events[station]:
        assert statement.data.TYPE != "source.rejected", statement.data
        assert not statement.data.origin.flags


def test_the_loader_ties_every_board_to_its_panel_and_position(clean: Run) -> None:
    said = {}
    for data in clean.said("LOAD", "board.introduced"):
        (board,) = data.boards
        (identifier,) = board.identifiers
        said[identifier.value] = (board.panel.value, board.position, data.part.number, data.order)
    true = {
        line["board"]: (line["panel"], line["position"], line["part"], line["work_order"])
        for line in clean.truth["board"]
    }
    assert said == true


def test_every_pass_at_the_loader_and_the_printer_is_there(clean: Run) -> None:
    panels = {line["board"]: line["panel"] for line in clean.truth["board"]}

    def passes(station: str) -> Counter[tuple[str, str]]:
        return Counter(
            {
                (panels[line["board"]], line["side"], line["arrived"]): 1
                for line in clean.true("visit", station)
            }.keys()
        )

    prints = Counter(
        (data.boards[0].identifiers[0].value, data.side)
        for data in clean.said("PRINT", "work.print_attempted")
    )
    assert prints == Counter((panel, side) for panel, side, _ in passes("PRINT"))
    second = Counter(
        (data.boards[0].identifiers[0].value, data.side) for data in clean.said("LOAD", "work.completed")
    )
    first_side = PARTS[0].sides[0].name
    assert second == Counter((panel, side) for panel, side, _ in passes("LOAD") if side != first_side)


def test_the_jar_of_a_print_is_among_the_paste_on_the_board(clean: Run) -> None:
    panels = {line["board"]: line["panel"] for line in clean.truth["board"]}
    possible = defaultdict(set)
    lots = {}
    for line in clean.true("material", "PRINT"):
        possible[panels[line["board"]], line["side"]].add(line["reel"])
        lots[line["reel"]] = line["lot"]
    prints = list(clean.said("PRINT", "work.print_attempted"))
    assert prints
    for data in prints:
        assert data.paste.id in possible[data.boards[0].identifiers[0].value, data.side]
    opened = {data.material.id: data.material.lots[0] for data in clean.said("PRINT", "material.replenished")}
    assert {jar: lots[jar] for jar in opened if jar in lots} == {
        jar: lot for jar, lot in opened.items() if jar in lots
    }
    assert lots.keys() <= opened.keys()


@pytest.mark.parametrize("station", ["SPI", "AOI"])
def test_every_inspection_and_every_call_is_on_its_board(clean: Run, station: str) -> None:
    outcomes: Counter[Any] = Counter()
    calls: Counter[Any] = Counter()
    for data in clean.said(station, "inspection.completed"):
        serial = clean.serial(data)
        outcomes[serial, data.side, data.outcome] += 1
        for call in data.calls:
            calls[serial, data.side, call.place.designator, int(call.place.termination or 0)] += 1
    assert outcomes == Counter(
        (line["board"], line["side"], line["outcome"]) for line in clean.true("visit", station)
    )
    assert calls == Counter(
        (line["board"], line["side"], line["designator"], line["termination"])
        for line in clean.true("call", station)
    )


@pytest.mark.parametrize("seed", [5, 10, 31], ids=["HW-1040 bottom", "HW-2060 bottom", "both top"])
def test_paste_is_added_where_it_was_called(seed: int) -> None:
    run = Run("clean", 150, seed=seed, stations=["JET"])
    called = Counter(
        (line["board"], line["side"], line["designator"], str(line["termination"]))
        for line in run.true("call", "SPI")
        if line["defect"] == "insufficient_paste"
    )
    added = Counter(
        (run.serial(data), data.side, place.designator, place.termination)
        for data in run.said("JET", "inspection.paste_topped_up")
        for place in data.places
    )
    assert added
    assert added == called


@pytest.mark.parametrize("station", ["PLACE1", "PLACE2"])
def test_every_board_placed_on_and_every_part_fed_is_there(clean: Run, station: str) -> None:
    said = Counter(
        (clean.serial(data), data.side, data.outcome) for data in clean.said(station, "work.completed")
    )
    outcome = {"processed": "completed", "skipped": "skipped"}
    assert said == Counter(
        (line["board"], line["side"], outcome[line["outcome"]]) for line in clean.true("visit", station)
    )
    fed: Counter[Any] = Counter()
    for data in clean.said(station, "material.installed"):
        material = data.material
        panel = data.boards[0].identifiers[0].value
        fed[panel, data.side, data.feeding.slot, material.part, material.id, *material.lots] += int(
            data.quantity
        )
    panels = {line["board"]: line["panel"] for line in clean.truth["board"]}
    used: Counter[Any] = Counter()
    for line in clean.true("material", station):
        key = panels[line["board"]], line["side"], str(line["slot"]), line["item"], line["reel"], line["lot"]
        used[key] += len(line["designators"])
    assert fed == used


def test_reels_are_set_up_before_parts_are_taken_from_them(clean: Run) -> None:
    for station in ("PLACE1", "PLACE2"):
        ready: set[Any] = set()
        for statement in clean.events[station]:
            data: Any = statement.data
            if data.TYPE in ("material.set_up", "material.spliced"):
                assert data.proof == "verified"
                ready.add((data.feeding.slot, data.material.id))
            elif data.TYPE == "material.installed":
                assert (data.feeding.slot, data.material.id) in ready


def test_the_oven_is_read_every_thirty_seconds(clean: Run) -> None:
    lines = sum(
        content.count(b"\n") - 1 for (station, *_), content in clean.logs.items() if station == "OVEN"
    )
    readings = list(clean.said("OVEN", "reading.recorded"))
    assert len(readings) == lines
    for data in readings:
        values = {value.name: value for value in data.values}
        assert {f"zone_{number}" for number in range(1, 9)} < values.keys()
        assert 20 <= values["zone_1"].value <= 300
    times = [s.time for s in clean.events["OVEN"]]
    assert {(b - a).total_seconds() for a, b in pairwise(times)} <= {29.0, 30.0, 31.0}


def test_every_verdict_and_every_replaced_part_is_on_its_board(clean: Run) -> None:
    word = {"confirmed": "defect", "false_call": "false_call"}
    said = Counter(
        (clean.serial(data), verdict.place.designator, word[verdict.verdict])
        for data in clean.said("REVIEW", "inspection.reviewed")
        for verdict in data.verdicts
    )
    assert said == Counter(
        (line["board"], line["designator"], line["verdict"]) for line in clean.true("review", "REVIEW")
    )
    replaced = Counter(
        (_bench_serial(clean, data), action.place.designator, action.installed.id, *action.installed.lots)
        for data in clean.said("REVIEW", "inspection.rework_performed")
        for action in data.actions
        if action.installed is not None
    )
    assert replaced == Counter(
        (line["board"], line["designators"][0], line["reel"], line["lot"])
        for line in clean.true("material", "REVIEW")
    )


def _bench_serial(run: Run, data: InspectionReworkPerformed) -> str:
    (board,) = data.boards
    return board.identifiers[0].value if board.identifiers else run.serial(data)


def test_every_attempt_of_the_electrical_test_is_there(clean: Run) -> None:
    said = Counter(
        (data.boards[0].identifiers[0].value, data.attempt, data.outcome, data.fixture)
        for data in clean.said("TEST", "inspection.test_completed")
    )
    assert said == Counter(
        (line["board"], line["attempt"], line["outcome"], line["fixture"])
        for line in clean.true("visit", "TEST")
    )


DUMMIES = {"0000000000", "9999999999", "TESTCODE"}
"""What somebody scans at Harbour Works when a code cannot be read."""


@pytest.mark.parametrize("station", ["LOAD", "PRINT", "SPI", "PLACE1", "AOI", "REVIEW", "TEST"])
def test_a_code_that_was_not_read_names_no_board(station: str) -> None:
    bad = parse_profile("[barcode]\nunread = 0.2\ndummy = 0.2\n", "bad codes")
    run = Run(bad, 60, stations=[station])
    serials, panels = set(run.serials.values()), {panel for panel, _ in run.serials}
    named, nameless, flagged = 0, 0, 0
    for statement in run.events[station]:
        data: Any = statement.data
        assert data.TYPE != "source.rejected"
        for board in data.boards:
            names = [*board.identifiers, *([board.panel] if board.panel else [])]
            assert {name.value for name in names} <= serials | panels
            named += bool(names)
            nameless += not names
        flagged += "placeholder_identifier" in data.origin.flags
    assert named
    assert nameless
    assert flagged
    assert flagged <= nameless


def test_a_new_kind_of_line_is_rejected_and_not_passed_over() -> None:
    lines = {
        "LOAD": b"time,event,panel,part,rev,side,order,batch,magazine,slot,position,board\r\n"
        b"2026-03-02T06:00:00,ERASE,HP1,HW-1040,C,B,WO-1,001-A,M1,1,1,HB1\r\n",
        "PRINT": b"ms=1772431200000 ev=PURGE stencil=ST-1\n",
        "PLACE1": b'{"rec": "reel", "time": "2026-03-02T06:00:00.000Z", "event": "moved", "slot": 1, "item": "I",'
        b' "reel": "R", "lot": "L", "left": 1, "verified": true}\n',
        "OVEN": b"TIME\r\n2026-03-02 06:00:00 HW-1040_C_B      X " + b" ".join([b" 150.0"] * 8)
        + b"  80.0   500\r\n",
    }  # fmt: skip
    for station, content in lines.items():
        mapping = compile_mapping(mapping_text(station), station)
        (taking,) = read_bytes(mapping, content, "log", adapter="test", modified=START)
        (statement,) = taking.statements
        assert statement.data.TYPE == "source.rejected", station

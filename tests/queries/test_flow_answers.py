"""Flow of boards: numbers that a pencil can check, a line whose bottleneck is known, the invented plant's truth."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from memory_store import MemoryStore
from told import Told, at, board, panel, recorded

from broker_bridge.errors import UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
from broker_bridge.queries.flow_columns import Flow, read_flow
from broker_bridge.queries.flow_time import flow_time
from broker_bridge.queries.record import Record, open_with
from broker_bridge.trace.quality import Answer, Figure


def figure(answer: Answer, section: str, name: str) -> Figure:
    (found,) = [f for s in answer.sections if section in s.title for f in s.figures if f.name == name]
    return found


def value(answer: Answer, section: str, name: str) -> float:
    found = figure(answer, section, name).value
    assert found is not None, figure(answer, section, name).note
    return found


def clock(seconds: float) -> str:
    return (at("08:00:00") + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")


CYCLES = {"print": 10.0, "place": 20.0, "aoi": 8.0}
PANELS = 30


def line(told: Told | None = None) -> Told:
    """A line without buffers: a panel leaves a station as soon as the next one is free (a blocking flow line)."""
    told = told or Told()
    told.say(
        "line.declared", "07:00:00", source="plan", line="line-1", valid_from=at("07:00:00"),
        stations=[{"name": name} for name in CYCLES],
    )  # fmt: skip
    free = dict.fromkeys(CYCLES, 0.0)
    stations = list(CYCLES)
    for number in range(PANELS):
        name, time = f"P{number:02}", free["print"]
        for place, station in enumerate(stations):
            arrived, done = time, time + CYCLES[station]
            following = stations[place + 1] if place + 1 < len(stations) else None
            left = max(done, free[following]) if following else done
            told.say("board.arrived", clock(arrived), panel(name), station=station, how="transferred")
            told.say(
                "work.completed", clock(done), panel(name), station=station, outcome="completed",
                started=at(clock(arrived)), ended=at(clock(done)), program={"name": "A" if number < 20 else "B"},
            )  # fmt: skip
            told.say("board.departed", clock(left), panel(name), station=station, how="transferred")
            free[station] = time = left
    return told


def read(told: Told, folder: Path, choice: Choice | None = None) -> tuple[Record, Flow]:
    store = MemoryStore()
    recorded(store, told.facts)
    record = open_with(store.reader, folder / "index.db")
    return record, read_flow(record, choice or Choice(), record.as_of())


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Record, Flow]]:
    record, flow = read(line(), tmp_path_factory.mktemp("flow"))
    yield record, flow
    record.index.close()


def test_the_slowest_station_is_found_to_bound_the_line(known: tuple[Record, Flow]) -> None:
    """Common practice and Hopp and Spearman, Factory Physics, chapter 7: the bottleneck's rate bounds the line."""
    answer = flow_line(known[1], "")
    assert "surely place held it up" in answer.sentence
    assert answer.found
    # A panel each 20 s: 30 panels leave in 10 + 30 * 20 + 8 s.
    assert value(answer, "as a whole", "throughput, passes") == pytest.approx(30 / 618 * 3600, rel=1e-6)
    assert value(answer, "as a whole", "Little's law") == pytest.approx(1, rel=1e-9)
    assert value(answer, "balance", "balance") == pytest.approx(38 / 60, rel=1e-9)
    assert figure(answer, "held it up", "pattern").note.startswith("fits")
    # All but the first, the last and the one over a change of program.
    assert len(figure(answer, "held it up", "place").boards) >= PANELS - 4
    assert len(figure(answer, "as a whole", "throughput, boards").boards) == PANELS


def test_a_faster_station_gains_until_the_next_one_bounds(known: tuple[Record, Flow]) -> None:
    answer = flow_line(known[1], "", quicker={"place": 5.0})
    gain = figure(answer, "faster station", "place: 5.0 s instead of 20.0 s")
    assert gain.value == pytest.approx(3600 / 10 - 3600 / 20)
    assert "then bound by print; below 10.0 s nothing more" in str(gain.note)
    with pytest.raises(UsageError, match="its cycle is not known"):
        flow_line(known[1], "", quicker={"oven": 5.0})


def test_stations_before_it_are_blocked_and_behind_it_starved(known: tuple[Record, Flow]) -> None:
    answer = flow_stations(known[1], "")
    assert value(answer, "place", "cycle") == pytest.approx(20)
    assert value(answer, "print", "dwell") == pytest.approx((10 + 29 * 20) / 30, rel=0.01)
    # Of 618 s: the printer works for 300 and waits 29 times 10 s for room; place works for 600; aoi for 240.
    assert value(answer, "print", "blocked") == pytest.approx(290 / 618)
    assert value(answer, "print", "starved") == pytest.approx(28 / 618)
    assert value(answer, "place", "busy") == pytest.approx(600 / 618)
    assert value(answer, "aoi", "starved") == pytest.approx(378 / 618)
    assert value(answer, "aoi", "between departures, median") == pytest.approx(20)
    for station in CYCLES:
        shares = [value(answer, station, what) for what in ("busy", "blocked", "starved", "waiting")]
        assert sum(shares) == pytest.approx(1)


def test_a_changeover_is_from_the_last_to_the_first(known: tuple[Record, Flow]) -> None:
    answer = flow_changes(known[1], "")
    change = figure(answer, "place", "A to B")
    assert change.value == pytest.approx(0)
    assert change.boards == ("P19", "P20")


def test_what_every_board_states_is_not_said_to_be_inferred(known: tuple[Record, Flow]) -> None:
    assert not any("inferred" in remark for remark in flow_changes(known[1], "").remarks)


def test_only_what_is_asked_for(tmp_path: Path) -> None:
    record, flow = read(line(), tmp_path, Choice(station="place", program="B"))
    assert {visit.station for visit in flow.visits} == {"place"}
    assert len(flow.visits) == 10
    record.index.close()


def test_states_that_were_told_are_taken_as_told(tmp_path: Path) -> None:
    """SEMI E10's sums: 618 s from first to last, of them 60 s down, 120 s waiting."""
    told = line()
    for seconds, state in (
        (0, "productive"),
        (100, "unscheduled_down"),
        (160, "productive"),
        (400, "standby"),
        (520, "productive"),
    ):
        told.say("station.state_changed", clock(seconds), station="place", state=state, native=state)
    record, flow = read(told, tmp_path)
    answer = flow_time(record, flow, "")
    assert value(answer, "place", "unscheduled down") == pytest.approx(60 / 618, rel=1e-6)
    assert value(answer, "place", "standby") == pytest.approx(120 / 618, rel=1e-6)
    assert value(answer, "place", "not known") == 0
    assert value(answer, "place", "MTBF (productive time)") == pytest.approx((618 - 180) / 3600)
    assert figure(answer, "place", "productive").note is None
    assert "place was down unplanned the longest" in answer.sentence
    oee = figure(answer, "place", "OEE (ISO 22400-2)")
    assert oee.value == pytest.approx(20 * 30 / 618, rel=1e-6)
    record.index.close()


def test_what_is_not_said_is_not_known(tmp_path: Path) -> None:
    told = Told()
    for number in range(3):
        told.passes("print", f"08:0{number}:00", f"08:0{number}:30", board(f"B{number}"))
    told.say(
        "source.gap", "08:05:00", station="print", start=at("08:02:40"), end=at("08:04:00"), cause="away"
    )
    told.passes("print", "08:04:30", "08:05:00", board("B9"))
    record, flow = read(told, tmp_path)
    answer = flow_time(record, flow, "")
    # 300 s: four boards there for 30 s each, of whose work nobody speaks, and 80 s without statements.
    assert value(answer, "print", "not known") == pytest.approx((4 * 30 + 80) / 300)
    assert value(answer, "print", "standby") == pytest.approx(100 / 300)
    record.index.close()


def test_an_alarm_during_which_nothing_is_done_is_downtime(tmp_path: Path) -> None:
    told = line()
    told.say("station.alarm_raised", clock(700), station="place", code="E-7", alarm="a1")
    told.say("station.alarm_cleared", clock(730), station="place", code="E-7", alarm="a1")
    told.passes("aoi", clock(790), clock(800), panel("P99"))
    record, flow = read(told, tmp_path)
    answer = flow_time(record, flow, "")
    assert value(answer, "place", "unscheduled down") == pytest.approx(30 / 800)
    assert figure(answer, "alarms", "place: E-7").value == 1
    with pytest.raises(UsageError, match="--oee best"):
        flow_time(record, flow, "", standard="best")
    record.index.close()


def test_an_empty_record_says_so(tmp_path: Path) -> None:
    told = Told()
    told.say("board.identified", "10:00:00", board("A"), station="load")
    record, flow = read(told, tmp_path, Choice(station="nowhere"))
    assert flow_line(flow, "").sentence == "No visit of it is in the record."
    assert flow_time(record, flow, "").sections == ()
    record.index.close()


def test_a_program_told_for_some_boards_is_that_of_the_part(tmp_path: Path) -> None:
    """A station that states its program for one board in ten changes over when the part changes, not when it speaks."""
    told = Told()
    for number in range(20):
        part, time = "X" if number < 10 else "Y", 60.0 * number + (300.0 if number >= 10 else 0.0)
        about = panel(f"P{number:02}")
        told.say("board.arrived", clock(time), about, station="jet", how="transferred", part={"number": part})
        if number in (2, 17):
            told.say(
                "work.completed", clock(time + 20), about, station="jet", outcome="completed", part={"number": part},
                started=at(clock(time)), ended=at(clock(time + 20)), program={"name": f"for {part}"},
            )  # fmt: skip
        told.say(
            "board.departed", clock(time + 20), about, station="jet", how="transferred", part={"number": part}
        )
    record, flow = read(told, tmp_path)
    change = figure(flow_changes(flow, ""), "jet", "for X to for Y")
    assert change.value == pytest.approx(60 + 300 - 20)
    assert change.boards == ("P09", "P10")
    told_so = "the program of 18 boards is inferred, at jet: none is stated for them there"
    for answer in (
        flow_changes(flow, ""),
        flow_line(flow, ""),
        flow_stations(flow, ""),
        flow_time(record, flow, ""),
    ):
        assert [remark for remark in answer.remarks if remark.startswith(told_so)]
    record.index.close()
    record, flow = read(told, tmp_path, Choice(program="for X"))
    assert [visit.thing for visit in flow.visits] == [f"P{number:02}" for number in range(10)]
    assert any("the program of 9 boards is inferred" in remark for remark in flow_stations(flow, "").remarks)
    record.index.close()

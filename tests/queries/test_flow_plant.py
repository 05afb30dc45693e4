"""Flow of the invented plant, whose truth is known: what it made, what held it up, how long a station was down."""

import json
import math
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from broker_bridge.demo.virtual import record_run
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.flow import flow_line
from broker_bridge.queries.flow_columns import Flow, Visit, read_flow
from broker_bridge.queries.flow_time import flow_time
from broker_bridge.queries.record import Record, open_record
from broker_bridge.simulate import Profile
from broker_bridge.simulate.model.line import Line
from broker_bridge.simulate.model.truth import Truth
from broker_bridge.simulate.profile import Causes, DownStation, Process, SlowStation
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.quality import Answer, Figure

AS_OF = AsOf("record", 1, 1, 1)
QUIET = Process(stops=False)
LINE = ("LOAD", "PRINT", "SPI", "JET", "PLACE1", "PLACE2", "OVEN", "AOI")


class Made(NamedTuple):
    """A run, its record open."""

    truth: list[dict[str, Any]]
    record: Record
    flow: Flow


def made(folder: Path, profile: Profile, boards: int) -> Iterator[Made]:
    run = record_run(folder, boards, 3, profile, lambda *told: None)
    truth = [json.loads(line) for line in run.truth.read_text(encoding="utf-8").splitlines()]
    with open_record(f"sqlite:////{str(run.record).lstrip('/')}") as record:
        yield Made(truth, record, read_flow(record, Choice(), record.as_of()))


@pytest.fixture(scope="module")
def down(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    """PLACE2 stands still for 400 s after every fourth panel, and says so."""
    profile = Profile(process=QUIET, causes=Causes(down=DownStation("PLACE2", 4, 400.0)))
    yield from made(tmp_path_factory.mktemp("down"), profile, 48)


def figure(answer: Answer, section: str, name: str) -> Figure:
    (found,) = [f for s in answer.sections if section in s.title for f in s.figures if f.name == name]
    return found


def value(answer: Answer, section: str, name: str) -> float:
    found = figure(answer, section, name)
    assert found.value is not None, found.note
    return found.value


def passes(run: Made) -> dict[tuple[str, str], tuple[float, float]]:
    """By panel and side: when it came into the line and left it, truly."""
    panels, spans = {}, defaultdict(list)
    for entry in run.truth:
        if entry["kind"] == "board" and entry["purpose"] == "production":
            panels[entry["board"]] = entry["panel"]
        elif entry["kind"] == "visit" and entry["station"] in LINE and entry["board"] in panels:
            spans[panels[entry["board"]], entry["side"]] += [
                datetime.fromisoformat(entry[name]).timestamp() for name in ("arrived", "departed")
            ]
    return {key: (min(times), max(times)) for key, times in spans.items()}


def test_throughput_and_boards_in_process_are_true(down: Made) -> None:
    """Against truth.jsonl; and Little's law on the record, which is exact where a line begins and ends empty."""
    true = passes(down)
    begin, end = min(come for come, _ in true.values()), max(left for _, left in true.values())
    answer = flow_line(down.flow, "")
    assert figure(answer, "as a whole", "throughput, passes").number == len(true)
    assert value(answer, "as a whole", "throughput, passes") == pytest.approx(
        len(true) / (end - begin) * 3600, rel=1e-3
    )
    spent = sum(left - come for come, left in true.values())
    assert value(answer, "as a whole", "in process") == pytest.approx(spent / (end - begin), rel=1e-3)
    assert value(answer, "as a whole", "time in line") == pytest.approx(spent / len(true), rel=1e-3)
    assert value(answer, "as a whole", "Little's law") == pytest.approx(1, abs=1e-6)
    boards = {
        entry["board"]
        for entry in down.truth
        if entry["kind"] == "board" and entry["purpose"] == "production"
    }
    assert len(figure(answer, "as a whole", "throughput, boards").boards) == len(boards)


def truly(causes: Causes, boards: int) -> Flow:
    """The visits of a run of the plant's model themselves, without a record: arrivals and departures, nothing of work."""
    panels, found = {}, {}
    for item in Line(3, boards, Profile(process=QUIET, causes=causes)).run():
        if not isinstance(item, Truth):
            continue
        of = item.fields
        if item.kind == "board":
            panels.update(dict.fromkeys(item.boards, (str(of["panel"]), str(of["part"]))))
        elif item.kind == "visit" and of["station"] in LINE:
            (panel, part), station, side = panels[item.boards[0]], str(of["station"]).lower(), str(of["side"])
            found[panel, station, side] = Visit(
                "/harbour-works/smt/line-1", station, 1, side, panel, (panel,), part, f"{part} {side}", of["arrived"], math.nan, math.nan,
                of["departed"], of["departed"], "observed",
            )  # fmt: skip
    visits = tuple(sorted(found.values(), key=lambda visit: visit.arrived))
    end = max(visit.departed for visit in visits)
    order = {"/harbour-works/smt/line-1": tuple(name.lower() for name in LINE)}
    return Flow(visits, visits, order, visits[0].arrived, end, None, end, AS_OF, 0, None)


@pytest.mark.parametrize("station", ["PRINT", "SPI", "JET", "PLACE1", "PLACE2", "AOI"])
def test_a_station_that_is_slowed_down_holds_the_line_up(station: str) -> None:
    """By 60 s a panel; without that the oven is slowest, a panel every 24 s. Nothing is known of work."""
    answer = flow_line(truly(Causes(slow=SlowStation(station, 60.0)), 400), "")
    name = station.lower()
    assert answer.found
    assert f"{name} held it up" in answer.sentence
    cycle = figure(answer, "balance", f"cycle: {name}")
    assert cycle.value is not None
    assert 60 < cycle.value < 100
    gain = figure(answer, "faster", f"{name}: {cycle.value * 0.9:.1f} s instead of {cycle.value:.1f} s")
    assert gain.value is not None
    assert gain.value > 0


def test_without_a_cause_the_oven_and_changes_hold_the_line_up() -> None:
    answer = flow_line(truly(Causes(), 400), "")
    assert "of the time went into changes of program" in answer.sentence
    assert value(answer, "balance", "cycle: oven") == pytest.approx(24, abs=0.1)


def test_a_station_that_stands_still_is_on_the_way_that_decided_how_long_it_took() -> None:
    answer = flow_line(truly(Causes(down=DownStation("PLACE2", 5, 400.0)), 400), "")
    assert "place2 held it up" in answer.sentence


def test_downtime_repair_and_availability_are_true(down: Made) -> None:
    stops = [entry for entry in down.truth if entry["kind"] == "fault" and entry["what"] == "station_down"]
    assert len(stops) >= 4
    flow = down.flow
    answer = flow_time(down.record, flow, "")
    repair = figure(answer, "place2", "MTTR")
    assert repair.of == len(stops)
    assert repair.value == pytest.approx(400, abs=1.5)
    lost = 400.0 * len(stops)
    assert value(answer, "place2", "unscheduled down") == pytest.approx(
        lost / (flow.end - flow.begin), rel=0.01
    )
    failures = figure(answer, "place2", "MTBF (productive time)")
    assert failures.number == len(stops)
    assert value(answer, "place2", "MCBF") == pytest.approx(4, rel=0.2)
    assert figure(answer, "alarms", "place2: pick error").value == len(stops)
    # The panels that were inside are named.
    inside = {entry["panel"] for entry in stops}
    boards = set(figure(answer, "place2", "unscheduled down").boards)
    owners = {entry["board"]: entry["panel"] for entry in down.truth if entry["kind"] == "board"}
    assert {owners[board] for board in boards} == inside
    assert "place2 was down unplanned the longest" in answer.sentence
    assert answer.found


def test_states_make_up_the_whole_time(down: Made) -> None:
    answer = flow_time(down.record, down.flow, "")
    names = {"productive", "standby", "unscheduled down", "not known"}
    for section in answer.sections[:-1]:
        assert sum(f.value or 0 for f in section.figures if f.name in names) == pytest.approx(1)

"""A sentence for every type of event, whatever is in it."""

import unicodedata

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from strategies import events
from told import Told, board, call, panel, verdict

from broker_bridge.console.lines import event_line
from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import DATA_TYPES, dump_event
from broker_bridge.live.clock import Clock, instant_of
from broker_bridge.live.told import tell
from broker_bridge.live.words import CAUSES, STATES, WORDS


def test_the_tables_cover_the_schema() -> None:
    assert WORDS.keys() == DATA_TYPES.keys()
    state = DATA_TYPES["station.state_changed"].model_fields["state"].annotation
    assert set(state.__args__) == STATES.keys()  # type: ignore[union-attr]
    cause = DATA_TYPES["source.gap"].model_fields["cause"].annotation
    assert set(cause.__args__) == CAUSES.keys()  # type: ignore[union-attr]


@pytest.mark.parametrize("type_name", sorted(DATA_TYPES))
@settings(max_examples=6)
@given(st.data())
def test_any_event_is_one_clean_line_of_eighty_cells(type_name: str, data: st.DataObject) -> None:
    event = data.draw(events(type_name))
    body = orjson.loads(dump_event(event))
    fact = Fact(1, 1, event.source, *EventId.parse(event.id), event.type, body["time"], body["data"])
    told = tell(fact)
    line = event_line(told, Clock(instant_of("2026-03-02T12:00:00Z")), 80)
    assert cell_len(line) <= 80
    assert told.said
    assert not [c for c in line if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp")]


def sentence(type_name: str, *boards: object, **data: object) -> str:
    said = Told()
    return tell(said.say(type_name, "11:00:00", *boards, **data)).text  # type: ignore[arg-type]


def test_boards() -> None:
    assert sentence("board.arrived", board("A"), how="transferred") == "A arrived"
    assert sentence("board.arrived", board(), how="inserted") == "a board put in by hand"
    assert (
        sentence("board.departed", board("A"), how="removed", outcome="failed")
        == "A taken out by hand, said to be failed"
    )
    assert (
        sentence("board.transferred", board("A"), to_station="b", giver="complete", taker="complete")
        == "A went over to b"
    )
    assert (
        sentence("board.transferred", board("A"), to_station="b", giver="complete")
        == "A transfer to b not certain: giver says complete"
    )
    assert sentence("board.joined", board("A"), parent=panel("P")) == "A joined to P"
    assert sentence("board.held", board("A"), reason="wrong paste") == "A HELD: wrong paste"


def test_how_boards_are_called() -> None:
    whole = panel("P", "transfer=0b5e")
    parts = [board("A", panel="P", position=1), board("B", panel="P", position=2)]
    assert sentence("board.arrived", whole, *parts, how="loaded") == "P (2 boards) loaded"
    assert sentence("board.arrived", panel("transfer=0b5e"), how="loaded") == "0b5e loaded"
    assert sentence("work.started", board("A"), board("B"), board("C")) == "A +2 started"
    assert sentence("work.started", board(panel="P", position=3)) == "P position 3 started"
    assert sentence("work.started", board(panel="P", machine_position="7")) == "P machine position 7 started"
    assert sentence("work.started", board(panel="P")) == "a board of P started"


def test_inspection_and_review() -> None:
    said = sentence(
        "inspection.completed", board("A"), method="x_ray", outcome="failed", calls=[call("R1"), call("R2")]
    )
    assert said == "A inspected (x ray): failed, 2 calls"
    said = sentence(
        "inspection.completed", board("A"), method="optical", outcome="bypassed", reason="switched off"
    )
    assert said == "A inspected (optical): bypassed, switched off"
    said = sentence(
        "inspection.reviewed", board("A"), verdicts=[verdict("R1", "false_call"), verdict("R2", "confirmed")]
    )
    assert said == "A reviewed: unknown, 1 confirmed, 1 false calls"
    assert (
        sentence("inspection.test_completed", board("A"), method="in_circuit", outcome="passed", attempt=2)
        == "A tested (in circuit, attempt 2): passed"
    )


def test_machines_and_sources() -> None:
    assert (
        sentence("station.state_changed", state="scheduled_down", native="PM", reason="weekly")
        == "scheduled down: “PM”, weekly"
    )
    assert (
        sentence("station.alarm_raised", code="E1", text="jam", severity="error") == "ALARM E1 (error): jam"
    )
    assert sentence("source.gap", cause="truncated") == "GAP, statements may be missing: log was cut"
    assert (
        sentence("source.rejected", reason="column 3 holds 'x'", place="line 12")
        == "REJECTED, kept raw: column 3 holds 'x', line 12"
    )
    assert (
        sentence(
            "material.low",
            material={"id": "R1", "container": "reel"},
            feeding={"slot": "4", "subslot": "B"},
            empty=True,
        )
        == "slot 4/B is empty: reel R1"
    )


def test_a_type_of_a_newer_program_shows_its_name() -> None:
    fact = Told().say("work.started", "11:00:00", board("A"))._replace(type="work.polished")
    assert tell(fact).text == "A work.polished"

"""Every type: what is written is what is read, and nothing else is let in."""

import json
import subprocess
import sys
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from strategies import event_ids, events, instants, texts

from broker_bridge.errors import WireError
from broker_bridge.events.base import Origin
from broker_bridge.events.board import BoardArrived
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import (
    DATA_TYPES,
    EVENT_TYPES,
    dump_event,
    encode_event,
    parse_event,
    schema_uri,
)

every_type = pytest.mark.parametrize("type_name", sorted(DATA_TYPES))
few = settings(max_examples=5, suppress_health_check=[HealthCheck.too_slow])


def arrived(**changes: Any) -> dict[str, Any]:
    """A valid event as JSON values, with changes to its envelope."""
    return {
        "specversion": "1.0",
        "id": "g.1.0.0",
        "source": "/harbour/smt/l1/paste",
        "type": "board.arrived",
        "time": "2026-03-02T08:15:30Z",
        "dataschema": "urn:broker-bridge:event:board.arrived:1",
        "recordedtime": "2026-03-02T08:15:31Z",
        "sequence": "00000000000000000007",
        "epoch": "00000000000000000001",
        "data": {"how": "loaded", "origin": {"adapter": "paste"}},
    } | changes


def parsed(**changes: Any) -> Any:
    return parse_event(json.dumps(arrived(**changes)).encode())


@every_type
@few
@given(data=st.data())
def test_what_is_written_is_what_is_read(type_name: str, data: st.DataObject) -> None:
    """Also by an older program, which ignores the fields that a newer writer adds."""
    event = data.draw(events(type_name))
    raw = dump_event(event)
    assert parse_event(raw) == event
    assert type(parse_event(raw)) is EVENT_TYPES[type_name]
    assert dump_event(parse_event(raw)) == raw
    assert b"\n" not in raw, "batches are cut at line ends"
    document = json.loads(raw)
    newer = {**document, "later": 1, "data": {**document["data"], "later": [1]}}
    newer["data"]["origin"] = {**document["data"]["origin"], "later": {}}
    assert parse_event(json.dumps(newer).encode()) == event


@every_type
def test_a_field_of_no_model_is_refused_on_writing(type_name: str) -> None:
    with pytest.raises(ValidationError, match=r"later\n.*Extra inputs are not permitted"):
        DATA_TYPES[type_name](origin=Origin(adapter="a"), later=1)  # type: ignore[call-arg]


@every_type
def test_a_type_says_what_it_is(type_name: str) -> None:
    family, _, name = type_name.partition(".")
    assert family
    assert name
    assert DATA_TYPES[type_name].__doc__
    assert DATA_TYPES[type_name].STATUS in ("final", "draft")


@settings(max_examples=40)
@given(
    event_id=event_ids,
    time=instants,
    recorded=instants,
    subject=st.none() | texts.filter(bool),
    rawname=st.none() | texts.filter(bool),
    sequence=st.integers(0, 10**20 - 1),
    epoch=st.integers(0, 10**20 - 1),
)
def test_the_short_way_to_write_gives_the_same_bytes(
    event_id: Any, time: Any, recorded: Any, subject: Any, rawname: Any, sequence: int, epoch: int
) -> None:
    data = BoardArrived(how="unknown", origin=Origin(adapter="paste"))
    raw = encode_event(
        event_id=event_id,
        source="/harbour/smt/l1/paste",
        data=data,
        time=time,
        subject=subject,
        recordedtime=recorded,
        sequence=sequence,
        epoch=epoch,
        rawname=rawname,
    )
    event = parse_event(raw)
    assert dump_event(event) == raw
    assert event.data == data
    assert event.time == time


def test_the_types_are_those_of_the_design() -> None:
    assert {name.partition(".")[0] for name in DATA_TYPES} == {
        "board", "work", "material", "reading", "inspection", "station", "line", "source",
    }  # fmt: skip
    final = {name.partition(".")[0] for name, data in DATA_TYPES.items() if data.STATUS == "final"}
    assert final == {"board", "inspection", "source", "station"}
    assert len(DATA_TYPES) == len(set(DATA_TYPES.values())), "no model serves two types"


def test_schema_uri_names_type_and_version() -> None:
    assert schema_uri("board.arrived") == "urn:broker-bridge:event:board.arrived:1"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"type": "board.teleported"}, "'board.teleported'"),
        ({"type": None}, "type"),
        ({"dataschema": "urn:broker-bridge:event:board.arrived:2"}, "dataschema.*board.arrived:2"),
        ({"dataschema": "urn:broker-bridge:event:board.departed:1"}, "dataschema.*board.departed:1"),
        ({"specversion": "0.3"}, r"specversion: .*'0\.3'"),
        ({"id": "g.1.0"}, r"id: .*'g\.1\.0'"),
        ({"source": "//l1/paste"}, "source: .*'//l1/paste'"),
        ({"sequence": "7"}, "sequence: .*'7'"),
        ({"sequence": 7}, "sequence: .*7"),
        ({"data": {"origin": {"adapter": "paste"}}}, r"data\.how: Field required"),
        ({"data": {"how": "loaded", "lane": 0, "origin": {"adapter": "a"}}}, r"data\.lane: .*\(found 0\)"),
        (
            {"data": {"how": "loaded", "lane": "1", "origin": {"adapter": "a"}}},
            r"data\.lane: .*\(found '1'\)",
        ),
        ({"data": {"how": "loaded", "lane": True, "origin": {"adapter": "a"}}}, r"data\.lane: .*True"),
        ({"data": {"how": "loaded", "lane": 1.0, "origin": {"adapter": "a"}}}, r"data\.lane: .*1\.0"),
        ({"data": {"how": "loaded", "order": "a\0b", "origin": {"adapter": "a"}}}, r"data\.order: .*NUL"),
        ({"data": {"how": "loaded", "order": "", "origin": {"adapter": "a"}}}, r"data\.order: .*''"),
        ({"data": []}, r"data: .*\[\]"),
    ],
)
def test_what_is_wrong_is_told_with_place_and_value(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(WireError, match=told):
        parsed(**changes)


def test_absent_fields_may_be_null() -> None:
    """CloudEvents JSON format, section 2.2: an unset attribute may be null."""
    assert parsed(subject=None, rawname=None) == parsed()


def test_an_event_without_specversion_is_no_event() -> None:
    document = arrived()
    del document["specversion"]
    with pytest.raises(WireError, match="specversion: missing"):
        parse_event(json.dumps(document).encode())


def test_three_findings_are_told_and_the_others_counted() -> None:
    with pytest.raises(WireError) as caught:
        parsed(id="x", source="x", time="x", sequence="x", epoch="x")
    told = str(caught.value)
    assert told.count("(found ") == 3
    assert told.endswith("; 2 more")


def test_a_long_value_is_told_shortened() -> None:
    with pytest.raises(WireError, match=r"sequence: .*7777\.\.\.\)$") as caught:
        parsed(sequence="7" * 1000)
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize(
    "raw",
    [b"", b"\x00", b"{", b"[]", b"null", b'"x"', b"{}", b"\xff\xfe", b'{"type":"board.arrived"}', b"[" * 100_000],
)  # fmt: skip
def test_bytes_that_are_no_event_are_a_wire_error(raw: bytes) -> None:
    with pytest.raises(WireError):
        parse_event(raw)


@settings(max_examples=30)
@given(st.binary(max_size=200) | st.recursive(st.none() | st.floats() | texts, st.lists).map(json.dumps))
def test_any_bytes_are_an_event_or_a_wire_error(raw: bytes | str) -> None:
    with pytest.raises(WireError):
        parse_event(raw.encode() if isinstance(raw, str) else raw)


@settings(max_examples=80)
@given(data=st.data())
def test_a_damaged_event_is_an_event_or_a_wire_error(data: st.DataObject) -> None:
    raw = bytearray(json.dumps(arrived()).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    try:
        event = parse_event(bytes(raw))
    except WireError:
        return
    assert event.time.tzinfo is UTC


def test_a_lone_surrogate_is_refused_on_both_ways() -> None:
    with pytest.raises(WireError):
        parse_event(json.dumps(arrived(subject="\ud800")).encode())
    with pytest.raises(ValidationError, match="order"):
        BoardArrived(how="unknown", order="\ud800", origin=Origin(adapter="a"))


def test_a_time_without_zone_is_refused_on_writing() -> None:
    with pytest.raises(ValueError, match="has no time zone"):
        encode_event(
            event_id=EventId("g", 1, 0, 0),
            source="/harbour/smt/l1/paste",
            data=BoardArrived(how="unknown", origin=Origin(adapter="paste")),
            time=datetime(2026, 3, 2),  # noqa: DTZ001  # the point of the test
            subject=None,
            recordedtime=datetime(2026, 3, 2, tzinfo=UTC),
            sequence=1,
            epoch=1,
            rawname=None,
        )


FIRST_USE = """
import sys, threading
from broker_bridge.events.union import DATA_TYPES, EVENT_TYPES
from pydantic import ValidationError

sys.setswitchinterval(1e-6)
together, made = threading.Barrier(4), []

def use() -> None:
    together.wait()
    for name in sorted(DATA_TYPES)[:6]:
        for model, call in ((DATA_TYPES[name], "model_validate"), (EVENT_TYPES[name], "model_validate_json")):
            try:
                getattr(model, call)({} if call == "model_validate" else b"{}")
            except ValidationError:
                made.append((name, model))

threads = [threading.Thread(target=use) for _ in range(4)]
for thread in threads: thread.start()
for thread in threads: thread.join()
assert len(made) == 4 * 6 * 2, len(made)
assert len(set(made)) == 6 * 2
"""


def test_models_may_be_first_used_by_several_threads_at_once() -> None:
    """They are made at their first use; files are mapped in threads. A process of its own, where none is made yet."""
    subprocess.run([sys.executable, "-c", FIRST_USE], check=True, timeout=60)


def test_a_type_that_is_not_known_is_named() -> None:
    with pytest.raises(WireError, match=r"type: 'board\.teleported' is no event type"):
        parsed(type="board.teleported")
    with pytest.raises(WireError, match="should be an object"):
        parse_event(b"[]")


@pytest.mark.parametrize(
    "text",
    [
        b'{"data":{"how":"loaded","origin":{"adapter":"a"},"note":{"type":"board.departed"}},"type":"board.arrived",%b}',
        b'{"subject":"\\"type\\":\\"board.departed\\"","type":"board.arrived","data":{"how":"loaded","origin":{"adapter":"a"}},%b}',
        b'{"type" : "board.arrived","data":{"how":"loaded","origin":{"adapter":"a"},"type":"board.departed"},%b}',
    ],
)
def test_what_only_looks_like_the_type_is_not_taken_for_it(text: bytes) -> None:
    rest = arrived()
    for name in ("type", "data"):
        del rest[name]
    event = parse_event(text % json.dumps(rest).encode()[1:-1])
    assert isinstance(event.data, BoardArrived)


def test_a_type_said_twice_is_one_or_the_other_but_never_mixed() -> None:
    """The last one counts for the parser; the recorder's intake refuses such bytes altogether."""
    raw = (
        json.dumps(arrived())
        .encode()
        .replace(b'"type": "board.arrived"', b'"type":"board.departed","type":"board.arrived"')
    )
    assert parse_event(raw).type == "board.arrived"

"""What a payload on the bus is: events, or a refusal with its reason; never an exception."""

import functools
import json
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import events

from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import MAX_PAYLOAD, join_batch
from broker_bridge.events.base import Origin
from broker_bridge.events.ids import EventId
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.union import DATA_TYPES, dump_event, encode_event
from broker_bridge.recorder import intake
from broker_bridge.store.base import Arrival, Refusal

TOPICS = Topics("plant")
SOURCE = "/harbour-works/smt/line-1/aoi-files"
examine = functools.partial(intake.examine, site="harbour-works")
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
TOPIC = TOPICS.event(SOURCE, "aoi-1", "station.alarm_raised")


def body(sequence: int = 1, source: str = SOURCE, station: str | None = "aoi-1", epoch: int = 7) -> bytes:
    return encode_event(
        event_id=EventId("g1", sequence, 0, 1),
        source=source,
        data=StationAlarmRaised(station=station, code="A1", origin=Origin(adapter="aoi-files")),
        time=NOON,
        subject=None,
        recordedtime=NOON,
        sequence=sequence,
        epoch=epoch,
        rawname=None,
    )


def test_a_valid_event_keeps_its_bytes():
    [arrival] = examine(TOPICS, TOPIC, body())
    assert isinstance(arrival, Arrival)
    assert arrival.body == body()


def test_a_batch_is_examined_member_by_member():
    bad = body(2).replace(b'"A1"', b"17")
    found = examine(TOPICS, TOPICS.batch(SOURCE), join_batch([body(1), bad, body(3)]))
    assert [type(item) for item in found] == [Arrival, Refusal, Arrival]
    assert found[1].sequence == 2
    assert examine(TOPICS, TOPICS.batch(SOURCE), found[1].body) == [found[1]], "examined again by itself"


@pytest.mark.parametrize(
    ("topic", "payload", "told"),
    [
        (
            TOPICS.event(SOURCE, "aoi-2", "station.alarm_raised"),
            body(),
            "station aoi-1, its topic about aoi-2",
        ),
        (TOPICS.event(SOURCE, None, "station.alarm_raised"), body(), "its topic about None"),
        (
            TOPICS.event(SOURCE, "aoi-1", "station.alarm_cleared"),
            body(),
            "its topic is for station.alarm_cleared",
        ),
        (TOPIC, body(source="/harbour-works/smt/line-1/spi-files"), "its topic belongs to"),
        ("plant/v1/nonsense", body(), "is no topic for events"),
        (TOPIC, b"\xff\xfe", "not JSON"),
        (TOPIC, b"[1]", "not a JSON object"),
        (TOPIC, b"x" * (MAX_PAYLOAD + 1), "more than the"),
        (TOPIC, body(epoch=2**63), "is over"),
        (TOPIC, body(0), "is not from 1"),
        (TOPICS.batch(SOURCE), b"[1]", "not an event"),
    ],
)
def test_what_is_no_event_of_this_topic_is_refused_with_its_reason(topic, payload, told):
    [refusal] = examine(TOPICS, topic, payload)
    assert isinstance(refusal, Refusal)
    assert told in refusal.reason
    assert refusal.body == payload


def test_a_poisoned_event_still_accounts_for_its_number():
    [refusal] = examine(TOPICS, TOPIC, body(41).replace(b'"A1"', b"null"))
    assert (refusal.source, refusal.epoch, refusal.sequence) == (SOURCE, 7, 41)
    assert "code" in refusal.reason


def test_a_poisoned_event_on_another_s_topic_accounts_for_nothing():
    other = TOPICS.event("/harbour-works/smt/line-1/spi-files", "aoi-1", "station.alarm_raised")
    [refusal] = examine(TOPICS, other, body(41).replace(b'"A1"', b"null"))
    assert refusal.sequence is None


@pytest.mark.parametrize(
    "wrong",
    [
        (TOPICS.event(SOURCE, "aoi-2", "station.alarm_raised"), body(41)),
        (TOPICS.event(SOURCE, "aoi-1", "station.alarm_cleared"), body(41)),
        (TOPIC, body(41)[:-1] + b',"later":NaN}'),
        (TOPIC, body(41)[:-1] + b',"later":1e999}'),
        (TOPIC, body(41) + b" " * MAX_PAYLOAD),
    ],
)
def test_whatever_is_wrong_with_an_event_its_number_counts_when_its_header_is_sound(wrong):
    [refusal] = examine(TOPICS, *wrong)
    assert isinstance(refusal, Refusal)
    assert (refusal.source, refusal.epoch, refusal.sequence) == (SOURCE, 7, 41)


@pytest.mark.parametrize(
    "member", [b'"id":"g2.1.0.1"', b'"sequence":"00000000000000000042"', b'"x":{"y":1,"y":2}']
)
def test_a_member_that_stands_there_twice_is_refused_for_readers_might_take_either(member):
    [refusal] = examine(TOPICS, TOPIC, body(41)[:-1] + b"," + member + b"}")
    assert isinstance(refusal, Refusal)
    assert "stands there twice" in refusal.reason
    assert refusal.sequence is None


@pytest.mark.parametrize("depth", [250, 1000, 100_000])
def test_nesting_without_end_is_refused(depth):
    nested = body()[:-1] + b',"x":' + b"[" * depth + b"]" * depth + b"}"
    for topic, payload in ((TOPIC, nested), (TOPICS.batch(SOURCE), b"[" + nested + b"]")):
        [refusal] = examine(TOPICS, topic, payload)
        assert isinstance(refusal, Refusal)
        assert refusal.body in payload


def test_fields_of_a_newer_program_are_kept_in_the_bytes():
    newer = body()[:-1] + b',"later":{"a":[1,2.5,null]}}'
    [arrival] = examine(TOPICS, TOPIC, newer)
    assert isinstance(arrival, Arrival)
    assert arrival.body == newer


def test_a_lone_event_on_the_batch_topic_is_one_event():
    [arrival] = examine(TOPICS, TOPICS.batch(SOURCE), body())
    assert isinstance(arrival, Arrival)
    assert examine(TOPICS, TOPICS.batch(SOURCE), b"[]") == []


def test_a_type_of_a_newer_program_waits_for_the_upgrade():
    document = json.loads(body(5))
    document["type"] = "station.levitated"
    topic = TOPICS.event(SOURCE, "aoi-1", "station.levitated")
    [refusal] = examine(TOPICS, topic, json.dumps(document).encode())
    assert (refusal.code, refusal.sequence) == ("type", 5)
    assert "upgrade the recorder" in refusal.reason


@settings(max_examples=200, deadline=None)
@given(st.sampled_from([TOPIC, TOPICS.batch(SOURCE), "plant/v1/x"]), st.binary(max_size=200))
def test_any_bytes_are_refused_and_kept(topic, payload):
    for item in examine(TOPICS, topic, payload):
        assert isinstance(item, Refusal)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(body()) - 1), st.integers(0, 255))
def test_one_wrong_byte_never_escapes_as_another_error(at, byte):
    wrong = body()[:at] + bytes([byte]) + body()[at + 1 :]
    [item] = examine(TOPICS, TOPIC, wrong)
    assert item.body == wrong
    if isinstance(item, Arrival):
        json.loads(wrong)


def test_what_another_plant_says_is_refused_and_no_number_of_it_counts():
    """Boards of two plants must never share one history; and the other plant's record may still be without the event."""
    other = SOURCE.replace("harbour-works", "other-works")
    event = body(41, other)
    [refusal] = examine(TOPICS, TOPICS.event(other, "aoi-1", "station.alarm_raised"), event)
    assert isinstance(refusal, Refusal)
    assert (refusal.code, refusal.body, refusal.source, refusal.sequence) == ("plant", event, None, None)
    assert f"{other} is of another plant than this record, which is of 'harbour-works'" in refusal.reason
    found = examine(TOPICS, TOPICS.batch(other), join_batch([event, body(42, other)]))
    assert [(item.code, item.body) for item in found] == [("plant", event), ("plant", body(42, other))]
    for payload in (b"[]", b"[1]", b"rubbish"):
        [refusal] = examine(TOPICS, TOPICS.batch(other), payload)
        assert (refusal.code, refusal.body) == ("plant", payload)
    [arrival] = intake.examine(TOPICS, TOPICS.batch(other), event, site="other-works")
    assert isinstance(arrival, Arrival)


def test_an_event_of_no_station_is_one():
    [arrival] = examine(TOPICS, TOPICS.event(SOURCE, None, "station.alarm_raised"), body(station=None))
    assert isinstance(arrival, Arrival)


@pytest.mark.parametrize("type_name", sorted(DATA_TYPES))
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_the_quick_way_and_the_models_say_the_same(type_name, data):
    """Of single events on their own topics and on others, and of arrays, whole or spoilt."""
    event = data.draw(events(type_name))
    raw = dump_event(event)
    station = data.draw(st.sampled_from([event.data.station, None, "aoi-9"]))
    if data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw = raw[:at] + data.draw(st.binary(max_size=3)) + raw[at + 1 :]
    topic, payload = data.draw(
        st.sampled_from(
            [
                (TOPICS.event(event.source, station, type_name), raw),
                (TOPICS.batch(event.source), join_batch([raw, raw])),
            ]
        )
    )
    site = event.source.split("/")[1]
    quick = intake.examine(TOPICS, topic, payload, site=site)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(intake, "read_canonical", lambda raw: None)
        slow = intake.examine(TOPICS, topic, payload, site=site)
    assert [told(item) for item in quick] == [told(item) for item in slow]


def told(item):
    """What an arrival or refusal comes to."""
    if isinstance(item, Refusal):
        return item
    event = item.event
    return item.body, event.id, event.source, event.type, event.time, event.sequence, event.epoch

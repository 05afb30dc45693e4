"""What a general MQTT tool sees on the bus: Mosquitto's own clients, and the CloudEvents schema."""

import asyncio
import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from jsonschema import Draft7Validator
from servers import RunningBroker, require

from broker_bridge.bus.mqtt import Client
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import join_batch, split_batch
from broker_bridge.events.base import Origin
from broker_bridge.events.ids import EventId
from broker_bridge.events.source import SourceGap
from broker_bridge.events.union import encode_event, parse_event

SOURCE = "/harbour/smt/line-1/spi"
TOPICS = Topics("plant")


def gap(number: int) -> bytes:
    now = datetime(2026, 11, 25, 9, 0, number, tzinfo=UTC)
    return encode_event(
        event_id=EventId("outbox", number, 0, 0),
        source=SOURCE,
        data=SourceGap(cause="away", start=now, origin=Origin(adapter="spi"), detail="größer"),
        time=now,
        subject=None,
        recordedtime=now,
        sequence=number,
        epoch=1,
        rawname=None,
    )


@pytest.mark.server("mosquitto_sub")
@pytest.mark.shared("cloudevents")
def test_a_general_subscriber_gets_cloudevents(broker: RunningBroker, shared: Path) -> None:
    """By the JSON Schema of CloudEvents 1.0 (cloudevents/spec, formats/cloudevents.json)."""
    valid = Draft7Validator(json.loads((shared / "cloudevents" / "cloudevents.json").read_bytes()))
    events = [gap(number) for number in (1, 2, 3)]
    single, batch = TOPICS.event(SOURCE, None, "source.gap"), TOPICS.batch(SOURCE)

    subscribe = [
        require("mosquitto_sub"),
        "-h",
        broker.host,
        "-p",
        str(broker.port),
        "-i",
        "outside",
        "-c",
        "-q",
        "1",
    ]
    for pattern in TOPICS.all_events():
        subscribe += ["-t", pattern]

    async def publish() -> None:
        async with Client(host=broker.host, port=broker.port, client_id="edge", clean=True) as edge:
            await edge.wait_connected()
            await (await edge.publish(single, events[0]))
            await (await edge.publish(batch, join_batch(events[1:])))

    subprocess.run([*subscribe, "-E"], check=True, timeout=20)  # make the session, then leave
    asyncio.run(publish())
    seen = subprocess.run([*subscribe, "-C", "2", "-F", "%t %x"], check=True, timeout=20, capture_output=True)

    # Two subscriptions: a broker may serve either one first.
    payloads = {
        topic.decode(): bytes.fromhex(text.decode())
        for topic, text in map(bytes.split, seen.stdout.splitlines())
    }
    first, rest = payloads[single], payloads[batch]
    assert [first, *split_batch(rest)] == events
    for event in [json.loads(first), *json.loads(rest)]:
        valid.validate(event)
        assert event["source"] == SOURCE


@pytest.mark.server("mosquitto_pub")
def test_a_general_publisher_is_heard(broker: RunningBroker) -> None:
    event = gap(1)

    async def story() -> None:
        async with Client(
            host=broker.host, port=broker.port, client_id="record", filters=TOPICS.all_events()
        ) as record:
            await record.wait_connected()
            command = [require("mosquitto_pub"), "-h", broker.host, "-p", str(broker.port), "-q", "1", "-s"]
            await asyncio.to_thread(
                subprocess.run, [*command, "-t", TOPICS.batch(SOURCE)], input=b"[" + event + b"]", check=True
            )
            message = await record.next(10)
            assert message is not None
            (member,) = split_batch(message.payload)
            assert member == event
            assert parse_event(member).source == SOURCE
            address = TOPICS.read(message.topic)
            assert address is not None
            assert address.source == SOURCE

    asyncio.run(story())

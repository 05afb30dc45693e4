"""A bus message to what it says; what is none of ours is mentioned, never shown as an event."""

import orjson
from told import LINE, Told, arrivals, at, board

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import EdgeState, dump, join_batch
from broker_bridge.console.message import StateHeard, Unreadable, read
from broker_bridge.events.fact import Fact

TOPICS = Topics("plant")
SOURCE = f"{LINE}/spi"
EVENT = TOPICS.event(SOURCE, "spi", "work.started")


def heard(topic: str, payload: bytes, retain: bool = False) -> list[object]:
    return list(read(TOPICS, Message(topic, payload, retain, False, 1, 1)))


def bodies(*names: str) -> tuple[list[Fact], list[bytes]]:
    said = Told()
    for name in names:
        said.say("work.started", "11:00:00.5", board(name), station="spi")
    # What comes over the bus has no number in the record.
    return [fact._replace(number=0, commit=0) for fact in said.facts], [
        arrival.body for arrival in arrivals(said.facts)
    ]


def test_an_event_and_a_batch() -> None:
    facts, (first, second) = bodies("A", "B")
    assert heard(EVENT, first) == facts[:1]
    assert heard(TOPICS.batch(SOURCE), join_batch([first, second])) == facts


def test_fields_of_a_newer_writer_stay() -> None:
    _, (body,) = bodies("A")
    event = orjson.loads(body)
    event["data"]["novel"] = 1
    (fact,) = heard(EVENT, orjson.dumps(event))
    assert isinstance(fact, Fact)
    assert fact.data["novel"] == 1


def test_a_state_is_live_or_the_brokers_copy() -> None:
    state = EdgeState(edge="e", alive=True, issued=at("11:00:00"))
    topic = TOPICS.edge_state("harbour", "e")
    assert heard(topic, dump(state)) == [StateHeard(state, live=True)]
    assert heard(topic, dump(state), retain=True) == [StateHeard(state, live=False)]


def test_what_is_no_event_is_mentioned() -> None:
    _, (good,) = bodies("A")
    batch = TOPICS.batch(SOURCE)
    (event, bad) = heard(batch, join_batch([good, b'{"specversion":"1.0"}']))
    assert isinstance(event, Fact)
    assert isinstance(bad, Unreadable)
    for topic, payload in ((EVENT, b"\xff\x00"), (batch, b"no"), (TOPICS.state(SOURCE), b"{}")):
        (mentioned,) = heard(topic, payload)
        assert isinstance(mentioned, Unreadable)
        assert mentioned.topic == topic


def test_an_event_on_a_foreign_topic_is_not_believed() -> None:
    _, (body,) = bodies("A")
    (mentioned,) = heard(TOPICS.event(f"{LINE}/aoi", "aoi", "work.started"), body)
    assert isinstance(mentioned, Unreadable)
    assert "on a topic of" in mentioned.reason


def test_other_topics_say_nothing() -> None:
    for topic in ("else/where", TOPICS.receipt(SOURCE, "r"), f"{TOPICS.state(SOURCE)}x"):
        assert heard(topic, b"{}") == []

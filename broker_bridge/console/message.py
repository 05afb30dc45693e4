"""One bus message to what it says."""

from collections.abc import Callable, Iterator, Mapping
from typing import Final, NamedTuple

import orjson

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.topics import Address, Topics
from broker_bridge.bus.wire import parse_edge_state, parse_record_state, parse_source_state, split_batch
from broker_bridge.errors import WireError
from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.events.union import parse_event
from broker_bridge.live.hearing import State


class StateHeard(NamedTuple):
    """What a source, an edge or a record says of itself."""

    state: State
    live: bool
    """False: the broker's kept copy, as old as it says."""


class Unreadable(NamedTuple):
    """A payload that is none of ours; the record keeps it in quarantine, here it is only mentioned."""

    topic: str
    reason: str


_STATES: Final[Mapping[str, Callable[[bytes], State]]] = {
    "source": parse_source_state,
    "edge": parse_edge_state,
    "record": parse_record_state,
}


def read(topics: Topics, message: Message) -> Iterator[Fact | StateHeard | Unreadable]:
    """What a message says; nothing for a topic that is none of ours. Facts carry no number of the record."""
    address = topics.read(message.topic)
    if address is None:
        return
    try:
        if address.kind == "event":
            yield _fact(message.payload, address)
        elif address.kind == "state" and address.rest and address.rest[0] in _STATES:
            yield StateHeard(_STATES[address.rest[0]](message.payload), live=not message.retain)
        elif address.kind == "batch":
            members = split_batch(message.payload)
        else:
            return
    except WireError as error:
        yield Unreadable(message.topic, str(error))
        return
    for member in members if address.kind == "batch" else ():
        try:
            yield _fact(member, address)
        except WireError as error:
            yield Unreadable(message.topic, str(error))


def _fact(body: bytes, address: Address) -> Fact:
    event = parse_event(body)
    if event.source != address.source:
        raise WireError(f"an event of {event.source} on a topic of {address.source}")
    name = EventId.parse(event.id)
    time = event.time.isoformat().replace("+00:00", "Z")
    # Newer writers may add fields: the data as they came, as the record gives them.
    return Fact(0, 0, event.source, *name, event.type, time, orjson.loads(body)["data"])

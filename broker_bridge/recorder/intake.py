"""Pure: what a payload on the bus is: valid events, or a refusal with its reason.

A refusal carries source, epoch and sequence where the payload's header can be read and agrees with its topic: the
number then counts as dealt with, so that one poisonous event never holds up its source for ever.
"""

import re
from typing import Final

import orjson

from broker_bridge.bus.topics import Address, Topics
from broker_bridge.bus.wire import MAX_PAYLOAD, split_batch
from broker_bridge.errors import WireError
from broker_bridge.events.envelope import Event
from broker_bridge.events.union import DATA_TYPES, parse_event
from broker_bridge.store.base import Arrival, Refusal

_DIGITS: Final = re.compile(r"\A[0-9]{20}\Z", re.ASCII)
_LARGEST: Final = 2**63 - 1


def examine(topics: Topics, topic: str, payload: bytes) -> list[Arrival | Refusal]:
    """What one message holds, in order; a batch is examined member by member. Raises nothing."""
    address = topics.read(topic)
    if address is None or address.kind not in ("event", "batch"):
        return [Refusal(topic, "topic", f"{topic!r} is no topic for events", payload)]
    if len(payload) > MAX_PAYLOAD:
        reason = f"{len(payload):,} bytes are more than the {MAX_PAYLOAD:,} that a payload may have"
        return [Refusal(topic, "oversize", reason, payload)]
    if address.kind == "event" or payload.lstrip()[:1] == b"{":
        # A member that was refused is kept by itself, and examined again by itself.
        return [_examine_event(address, topic, payload)]
    try:
        members = split_batch(payload)
    except WireError as error:
        return [Refusal(topic, "json", str(error), payload)]
    return [_examine_event(address, topic, member) for member in members]


def _examine_event(address: Address, topic: str, body: bytes) -> Arrival | Refusal:
    try:
        event = parse_event(body)
    except WireError as error:
        return _refused(address, topic, body, str(error))
    contradiction = _contradiction(address, event)
    if contradiction is not None:
        return Refusal(topic, "topic", contradiction, body)
    if int(event.epoch) > _LARGEST or int(event.sequence) > _LARGEST:
        return Refusal(
            topic, "schema", f"epoch {event.epoch} or sequence {event.sequence} is over {_LARGEST}", body
        )
    return Arrival(event, body)


def _contradiction(address: Address, event: Event) -> str | None:
    if event.source != address.source:
        return f"the event says it is from {event.source}, its topic belongs to {address.source}"
    if address.kind == "batch":
        return None
    if ".".join(address.rest) != event.type:
        return f"the event is a {event.type}, its topic is for {'.'.join(address.rest)}"
    if event.data.station != address.station:
        return f"the event is about station {event.data.station}, its topic about {address.station}"
    return None


def _refused(address: Address, topic: str, body: bytes, reason: str) -> Refusal:
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        return Refusal(topic, "json", f"not JSON: {error}", body)
    if not isinstance(document, dict):
        return Refusal(topic, "json", "not a JSON object", body)
    code = "schema"
    kind = document.get("type")
    if isinstance(kind, str) and kind not in DATA_TYPES:
        code = "type"
        reason = (
            f"type {kind!r} is unknown to this program: upgrade the recorder; it then tries again by itself"
        )
    source, epoch, sequence = (document.get(name) for name in ("source", "epoch", "sequence"))
    if source != address.source or not _number(epoch) or not _number(sequence):
        return Refusal(topic, code, reason, body)
    return Refusal(topic, code, reason, body, address.source, int(str(epoch)), int(str(sequence)))


def _number(value: object) -> bool:
    return isinstance(value, str) and bool(_DIGITS.match(value)) and int(value) <= _LARGEST

"""Pure: what a payload on the bus is: valid events, or a refusal with its reason.

A refusal carries source, epoch and sequence where the payload's header can be read and agrees with its topic: the
number then counts as dealt with, so that one poisonous event never holds up its source for ever.
"""

import json
from typing import Any, Final

import orjson

from broker_bridge.bus.topics import Address, Topics
from broker_bridge.bus.wire import MAX_PAYLOAD, cut_batch, split_batch
from broker_bridge.errors import WireError
from broker_bridge.events.canonical import Read, read_canonical
from broker_bridge.events.envelope import padded
from broker_bridge.events.union import DATA_TYPES, dump_event, parse_event
from broker_bridge.store.base import Arrival, Refusal

LARGEST: Final = 2**63 - 1
"""The largest epoch or sequence a store can hold; the envelope would allow 20 digits."""
_ZERO: Final = padded(0)
_LARGEST: Final = padded(LARGEST)


def examine(topics: Topics, topic: str, payload: bytes, *, site: str) -> list[Arrival | Refusal]:
    """What one message holds, in order; a batch is examined member by member. Raises nothing.

    `site`: the plant whose record this is. What another plant says is refused and its numbers do not count as dealt with:
    the record of that plant may still be without them.
    """
    address = topics.read(topic)
    if address is None or address.kind not in ("event", "batch"):
        return [Refusal(topic, "topic", f"{topic!r} is no topic for events", payload)]
    if len(payload) > MAX_PAYLOAD:
        reason = f"{len(payload):,} bytes are more than the {MAX_PAYLOAD:,} that a payload may have"
        return [_refused(address, topic, payload, "oversize", reason)]
    if not address.of_site(site):
        reason = (
            f"{address.source} is of another plant than this record, which is of {site!r}: its edge speaks to the wrong broker,"
            " has the wrong plant.site, or was given that plant's outbox; two plants on one broker need a topic_root each"
        )
        return [Refusal(topic, "plant", reason, body) for body in _members(address, payload)]
    if address.kind == "event" or payload.lstrip()[:1] == b"{":
        # A member that was refused is kept by itself, and examined again by itself.
        return [_examine_event(address, topic, payload)]
    # Read as events they are objects; what has to be told of others is found the longer way.
    found = [_examine_event(address, topic, member) for member in cut_batch(payload)]
    if found and all(isinstance(one, Arrival) for one in found):
        return found
    try:
        members = split_batch(payload)
    except WireError as error:
        return [Refusal(topic, "json", str(error), payload)]
    return [_examine_event(address, topic, member) for member in members]


def _members(address: Address, payload: bytes) -> list[bytes]:
    """One by one, so that an event that comes again in another array is the same refusal."""
    if address.kind == "event":
        return [payload]
    try:
        return split_batch(payload) or [payload]
    except WireError:
        return [payload]


def _examine_event(address: Address, topic: str, body: bytes) -> Arrival | Refusal:
    event = read_canonical(body)
    if event is None:
        try:
            event = parse_event(body)
        except WireError as error:
            return _refused(address, topic, body, "schema", str(error))
        # Bytes as this program would write them need no second look: it writes no key twice and no infinity.
        if dump_event(event) != body and (trouble := _unsound(body)) is not None:
            return _refused(address, topic, body, "json", trouble)
    if (contradiction := _contradiction(address, event)) is not None:
        return _refused(address, topic, body, "topic", contradiction)
    # As texts, which are padded so that they sort as numbers do.
    if event.epoch > _LARGEST or not _ZERO < event.sequence <= _LARGEST:
        reason = f"epoch {event.epoch} is over {LARGEST}, or sequence {event.sequence} is not from 1 to it"
        return Refusal(topic, "schema", reason, body)
    return Arrival(event, body)


def _unsound(body: bytes) -> str | None:
    """Why two readers of this JSON might read different things, or one of them nothing at all."""
    try:
        orjson.loads(body)
        json.loads(body, object_pairs_hook=_once)
    except ValueError as error:
        return f"not JSON that every reader reads alike: {error}"
    return None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"member {twice!r} stands there twice")
    return members


def _contradiction(address: Address, event: Read) -> str | None:
    if event.source != address.source:
        return f"the event says it is from {event.source}, its topic belongs to {address.source}"
    if address.kind == "batch":
        return None
    if event.type.split(".") != list(address.rest):
        return f"the event is a {event.type}, its topic is for {'.'.join(address.rest)}"
    # What was read without its model has a false value of its own for what is absent.
    station = event.data.station or None
    if station != address.station:
        return f"the event is about station {station}, its topic about {address.station}"
    return None


def _refused(address: Address, topic: str, body: bytes, code: str, reason: str) -> Refusal:
    """A refusal that accounts for its number, if the header can be read and trusted."""
    try:
        header = json.loads(body, object_pairs_hook=_once)
        trouble = None if isinstance(header, dict) else "not a JSON object"
    except (ValueError, RecursionError) as error:
        trouble = f"not JSON: {error}"
    if trouble is not None:
        return Refusal(topic, *(("json", trouble) if code == "schema" else (code, reason)), body)
    kind = header.get("type")
    if code == "schema" and isinstance(kind, str) and kind not in DATA_TYPES:
        code = "type"
        reason = (
            f"type {kind!r} is unknown to this program: upgrade the recorder; it then tries again by itself"
        )
    epoch, sequence = _number(header.get("epoch")), _number(header.get("sequence"))
    if header.get("source") != address.source or epoch is None or not sequence:
        return Refusal(topic, code, reason, body)
    return Refusal(topic, code, reason, body, address.source, epoch, sequence)


def _number(value: object) -> int | None:
    """An epoch or sequence as the envelope spells it."""
    if (
        isinstance(value, str)
        and len(value) == 20
        and value.isascii()
        and value.isdigit()
        and int(value) <= LARGEST
    ):
        return int(value)
    return None

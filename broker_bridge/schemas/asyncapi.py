"""The bus as an AsyncAPI 3.0.0 document: where to connect, which topics there are, who sends what.

Addresses come from the module that names the topics, payloads from the JSON Schema files beside the document.
"""

import re
from typing import Any, Final, NamedTuple

from broker_bridge.bus.topics import NONE, Topics
from broker_bridge.bus.wire import MAX_PAYLOAD
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.schemas.json_schema import data_file, typed

VERSION: Final = "3.0.0"

EVENT: Final = "application/cloudevents+json"
BATCH: Final = "application/cloudevents-batch+json"
JSON: Final = "application/json"

_FORMAT: Final = "application/schema+json;version=2020-12"
_SAMPLE: Final = re.compile(r"x-([a-z]+)")
_SOURCE: Final = "/x-site/x-area/x-line/x-adapter"
_TOPICS: Final = Topics("x-root")

_PARAMETERS: Final = {
    "root": {"description": "First level or levels of every topic of this plant.", "default": "plant"},
    "site": {"description": "Site, as ISA-95 uses the word."},
    "area": {"description": "Area of the site."},
    "line": {"description": "Line of the area."},
    "station": {"description": f"Place in the line; `{NONE}` where the source does not know it."},
    "adapter": {"description": "The adapter that speaks. Site, area, line and adapter name the source."},
    "family": {
        "description": "Family of the event's type.",
        "enum": sorted({name.partition(".")[0] for name in DATA_TYPES}),
    },
    "type": {
        "description": "The event's type within its family.",
        "enum": sorted({name.partition(".")[2] for name in DATA_TYPES}),
    },
    "record": {"description": "Name of a record."},
    "edge": {"description": "Name of an edge."},
}


class Channel(NamedTuple):
    """One kind of topic, and who is at its two ends."""

    topic: str
    """Topic of a sample, whose names are those of the parameters behind `x-`."""
    title: str
    description: str
    senders: tuple[str, ...]
    receivers: tuple[str, ...]
    retained: bool
    messages: tuple[str, ...]

    @property
    def address(self) -> str:
        """The topic with its parameters in braces."""
        return _SAMPLE.sub(r"{\1}", self.topic)

    @property
    def parameters(self) -> list[str]:
        """The names of the parameters in the address."""
        return _SAMPLE.findall(self.topic)


CHANNELS: Final[dict[str, Channel]] = {
    "event": Channel(
        _TOPICS.event(_SOURCE, "x-station", "x-family.x-type"),
        "Events",
        "One event a message, numbered without gap within source and epoch. At least once; never retained.",
        ("edge",),
        ("recorder",),
        False,
        tuple(sorted(DATA_TYPES)),
    ),
    "batch": Channel(
        _TOPICS.batch(_SOURCE),
        "Batches",
        "Events of one source in an array (CloudEvents JSON batch). At least once; never retained.",
        ("edge",),
        ("recorder",),
        False,
        ("batch",),
    ),
    "source-state": Channel(
        _TOPICS.state(_SOURCE),
        "State of a source",
        "How far a source has numbered and what it still holds: so that the loss of the very last events shows.",
        ("edge",),
        ("recorder",),
        True,
        ("source-state",),
    ),
    "receipt": Channel(
        _TOPICS.receipt(_SOURCE, "x-record"),
        "Receipts",
        "What a record has committed of a source. Only a live one lets an edge forget, never a retained one.",
        ("recorder",),
        ("edge",),
        True,
        ("receipt",),
    ),
    "edge-state": Channel(
        _TOPICS.edge_state("x-site", "x-edge"),
        "State of an edge",
        "Whether an edge is alive; its last will says that it is gone.",
        ("edge",),
        (),
        True,
        ("edge-state",),
    ),
    "record-state": Channel(
        _TOPICS.record_state("x-site", "x-record"),
        "State of a record",
        "Whether a record is being written, and how far.",
        ("recorder",),
        (),
        True,
        ("record-state",),
    ),
}


def asyncapi_document() -> dict[str, Any]:
    """The document. References to files are relative to its own place."""
    return {
        "asyncapi": VERSION,
        "info": {
            "title": "Broker Bridge",
            "version": "1",
            "description": (
                "What the machines of a circuit-board line say, as typed events over MQTT. Delivery is at least"
                " once, order holds within a source only; `source` and `id` together name an event for good."
                " A subscriber that is no part of the bridge may listen to everything and should send nothing."
            ),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": EVENT,
        "servers": {
            "plain": _server("mqtt", "1883", "MQTT 3.1.1 inside the plant's own network."),
            "secure": _server("mqtts", "8883", "MQTT 3.1.1 over TLS."),
        },
        "channels": {name: _channel(channel) for name, channel in CHANNELS.items()},
        "operations": {
            f"{role}.{action}.{name}": _operation(name, channel, action)
            for name, channel in CHANNELS.items()
            for action, roles in (("send", channel.senders), ("receive", channel.receivers))
            for role in roles
        },
        "components": {"messages": _messages()},
    }


def _server(protocol: str, port: str, description: str) -> dict[str, Any]:
    return {
        "host": f"{{host}}:{port}",
        "protocol": protocol,
        "protocolVersion": "3.1.1",
        "description": description,
        "variables": {"host": {"default": "127.0.0.1", "description": "The plant's MQTT broker."}},
        "bindings": {
            "mqtt": {"cleanSession": False, "maximumPacketSize": MAX_PAYLOAD, "bindingVersion": "0.2.0"}
        },
    }


def _channel(channel: Channel) -> dict[str, Any]:
    return {
        "address": channel.address,
        "title": channel.title,
        "description": channel.description,
        "parameters": {name: _PARAMETERS[name] for name in channel.parameters},
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in channel.messages},
    }


def _operation(name: str, channel: Channel, action: str) -> dict[str, Any]:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{name}"},
        "title": channel.title,
        "messages": [{"$ref": f"#/channels/{name}/messages/{message}"} for message in channel.messages],
        "bindings": {
            "mqtt": {"qos": 1, "retain": channel.retained, "bindingVersion": "0.2.0"}
            if action == "send"
            else {"qos": 1, "bindingVersion": "0.2.0"}
        },
    }


def _messages() -> dict[str, Any]:
    messages = {name: _event_message(name) for name in DATA_TYPES}
    messages["batch"] = {
        "title": "batch",
        "summary": "An array of events of one source.",
        "contentType": BATCH,
        "payload": _payload({"type": "array", "items": {"$ref": "./event.json"}}),
    }
    for channel in CHANNELS.values():
        for name in channel.messages:
            if name not in messages:
                messages[name] = {
                    "title": name,
                    "summary": channel.description,
                    "contentType": JSON,
                    "payload": _payload({"$ref": f"./{name}.json"}),
                }
    return messages


def _event_message(type_name: str) -> dict[str, Any]:
    data = DATA_TYPES[type_name]
    envelope = {"$ref": "./event.json#/$defs/envelope"}
    return {
        "title": type_name,
        "summary": " ".join((data.__doc__ or "").split()),
        "contentType": EVENT,
        "payload": _payload({"allOf": [envelope, typed(type_name, f"./{data_file(type_name)}")]}),
        "x-status": data.STATUS,
    }


def _payload(schema: dict[str, Any]) -> dict[str, Any]:
    return {"schemaFormat": _FORMAT, "schema": schema}

"""The AsyncAPI document: valid, complete, and true to the topics."""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from broker_bridge.bus.topics import Topics
from broker_bridge.events.union import DATA_TYPES
from broker_bridge.schemas.asyncapi import BATCH, CHANNELS, EVENT, asyncapi_document
from broker_bridge.schemas.files import FILES

DOCUMENT = asyncapi_document()


@pytest.mark.shared("asyncapi")
def test_the_document_is_valid(shared: Path) -> None:
    """By the JSON Schema of AsyncAPI 3.0.0 (asyncapi/spec-json-schemas)."""
    schema = json.loads((shared / "asyncapi" / "asyncapi-3.0.0.schema.json").read_bytes())
    Draft7Validator(schema).validate(DOCUMENT)
    broken = {key: value for key, value in DOCUMENT.items() if key != "info"}
    assert not Draft7Validator(schema).is_valid(broken), "the check can fail"


def references(value: Any) -> Iterator[str]:
    match value:
        case {"$ref": str(reference)}:
            yield reference
        case dict():
            for member in value.values():
                yield from references(member)
        case list():
            for member in value:
                yield from references(member)


@cache
def document(name: str) -> Any:
    return FILES[name]()


def test_every_reference_leads_somewhere() -> None:
    found = set(references(DOCUMENT))
    assert found
    for reference in found:
        file, _, pointer = reference.partition("#")
        target = document(file.removeprefix("./")) if file else DOCUMENT
        for step in pointer.split("/")[1:]:
            target = target[step]


@pytest.mark.parametrize("name", CHANNELS)
def test_an_address_is_a_topic_of_ours(name: str) -> None:
    channel = DOCUMENT["channels"][name]
    topic = channel["address"]
    for parameter in channel["parameters"]:
        assert f"{{{parameter}}}" in topic
        topic = topic.replace(f"{{{parameter}}}", parameter.replace("root", "plant/east"))
    assert "{" not in topic
    address = Topics("plant/east").read(topic)
    assert address is not None
    assert "state" in name or address.kind == name


def test_every_public_topic_has_a_channel() -> None:
    named = {name for name in vars(Topics) if not name.startswith(("_", "all_")) and name != "read"}
    assert len(named) == len(CHANNELS), f"Topics names {sorted(named)}"


def test_every_event_type_is_a_message_with_its_content_type() -> None:
    messages = DOCUMENT["components"]["messages"]
    assert messages.keys() == {*DATA_TYPES, "batch", "receipt", "source-state", "edge-state", "record-state"}
    assert {messages[name]["contentType"] for name in DATA_TYPES} == {EVENT}
    assert messages["batch"]["contentType"] == BATCH
    assert DOCUMENT["channels"]["event"]["messages"].keys() == DATA_TYPES.keys()


def test_what_one_role_receives_another_sends() -> None:
    operations = DOCUMENT["operations"]
    assert "edge.send.event" in operations
    assert "recorder.receive.event" in operations
    assert "recorder.send.receipt" in operations
    assert "edge.receive.receipt" in operations
    assert {name: operation["bindings"]["mqtt"].get("retain") for name, operation in operations.items()
            if ".send." in name} == {
        "edge.send.event": False,
        "edge.send.batch": False,
        "edge.send.source-state": True,
        "edge.send.edge-state": True,
        "recorder.send.receipt": True,
        "recorder.send.record-state": True,
    }  # fmt: skip
    assert {operation["bindings"]["mqtt"]["qos"] for operation in operations.values()} == {1}

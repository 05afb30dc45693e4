"""The published schemas: current, valid, true to what is written and read, and kept by every later version."""

import json
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator, Draft202012Validator
from jsonschema.protocols import Validator
from referencing import Registry, Resource
from strategies import events

from broker_bridge.errors import WireError
from broker_bridge.events.union import DATA_TYPES, dump_event, parse_event
from broker_bridge.schemas.compatibility import incompatibilities
from broker_bridge.schemas.files import FILES, text

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "schemas"

every_type = pytest.mark.parametrize("type_name", sorted(DATA_TYPES))
few = settings(max_examples=2, suppress_health_check=[HealthCheck.too_slow])


@cache
def built() -> dict[str, dict[str, Any]]:
    return {name: build() for name, build in FILES.items()}


@cache
def validator() -> Validator:
    """Of any event, by the files as they lie side by side."""
    schemas = {name: schema for name, schema in built().items() if name != "asyncapi.json"}
    registry = Registry().with_resources((name, Resource.from_contents(s)) for name, s in schemas.items())
    return Draft202012Validator(schemas["event.json"], registry=registry)


@pytest.mark.parametrize("name", sorted(FILES))
def test_the_committed_file_is_the_generated_one(name: str) -> None:
    committed = (FOLDER / name).read_bytes()
    assert committed == text(built()[name]).encode(), "run tools/export_schemas.py"
    assert b"\r" not in committed


def test_no_other_schema_lies_in_the_folder() -> None:
    assert {path.name for path in FOLDER.glob("*.json")} == FILES.keys()


@pytest.mark.parametrize("name", sorted(FILES.keys() - {"asyncapi.json"}))
def test_every_schema_is_one(name: str) -> None:
    """By the metaschema of JSON Schema 2020-12 (json-schema.org), as the library jsonschema carries it."""
    Draft202012Validator.check_schema(built()[name])
    assert built()[name]["x-status"] in ("final", "draft")
    assert built()[name]["description"]


@every_type
@few
@given(data=st.data())
def test_an_event_is_what_its_schema_says(type_name: str, data: st.DataObject) -> None:
    document = json.loads(dump_event(data.draw(events(type_name, full=True))))
    assert document["data"].keys() == DATA_TYPES[type_name].model_fields.keys()
    validator().validate(document)
    validator().validate({**document, "later": 1, "data": {**document["data"], "later": 1}})
    assert document["dataschema"] == built()[f"{type_name}.json"]["$id"]


@pytest.mark.shared("cloudevents")
@every_type
@settings(max_examples=1)
@given(data=st.data())
def test_an_event_is_a_cloudevent(type_name: str, shared: Path, data: st.DataObject) -> None:
    """By the JSON Schema of CloudEvents 1.0 (cloudevents/spec, formats/cloudevents.json)."""
    schema = json.loads((shared / "cloudevents" / "cloudevents.json").read_bytes())
    Draft7Validator(schema).validate(json.loads(dump_event(data.draw(events(type_name, full=True)))))


OTHER_KINDS: tuple[Any, ...] = (7, True, "x", [], {})


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_the_reader_takes_what_the_schema_allows_and_nothing_else(data: st.DataObject) -> None:
    type_name = data.draw(st.sampled_from(sorted(DATA_TYPES)))
    document = json.loads(dump_event(data.draw(events(type_name))))
    holder, key = data.draw(st.sampled_from(list(places(document))))
    kind = type(holder[key])
    holder[key] = data.draw(st.sampled_from([value for value in OTHER_KINDS if type(value) is not kind]))
    allowed = validator().is_valid(document)
    try:
        parse_event(json.dumps(document).encode())
    except WireError:
        assert not allowed
    else:
        assert allowed


@every_type
def test_reader_and_schema_ask_for_the_same_fields(type_name: str) -> None:
    required = {name for name, field in DATA_TYPES[type_name].model_fields.items() if field.is_required()}
    assert set(built()[f"{type_name}.json"]["required"]) == required


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every place of a JSON value, as what holds it and its key there."""
    found: list[tuple[Any, Any]] = []
    keys = value.keys() if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        found += [(value, key), *places(value[key])]
    return found


def published_before(name: str) -> list[tuple[str, dict[str, Any]]]:
    """Every version of a schema that was ever committed while it was final, with its commit."""
    try:
        commits = git("log", "--format=%H", "--", f"schemas/{name}").split()
    except (FileNotFoundError, subprocess.CalledProcessError):
        pytest.skip("no git history here: the committed schemas of earlier versions are not known")
    found = []
    for commit in commits:
        try:
            schema = json.loads(git("show", f"{commit}:schemas/{name}"))
        except subprocess.CalledProcessError:
            continue  # the commit that deleted it
        if schema["x-status"] == "final":
            found.append((commit, schema))
    return found


def git(*words: str) -> str:
    return subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True).stdout


@pytest.mark.parametrize("name", sorted(FILES.keys() - {"asyncapi.json"}))
def test_what_was_published_as_final_still_holds(name: str) -> None:
    for commit, old in published_before(name):
        assert not incompatibilities(old, built()[name]), (
            f"published in {commit[:10]}; see schemas/CHANGES.md"
        )


def test_no_final_schema_was_dropped() -> None:
    try:
        ever = set(git("log", "--diff-filter=D", "--name-only", "--format=", "--", "schemas").split())
    except (FileNotFoundError, subprocess.CalledProcessError):
        pytest.skip("no git history here")
    dropped = [path.removeprefix("schemas/") for path in ever if path.endswith(".json")]
    assert not [name for name in dropped if name not in FILES and published_before(name)]

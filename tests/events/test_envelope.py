"""The attributes, by the rules of CloudEvents 1.0."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import texts

from broker_bridge.events.base import Origin
from broker_bridge.events.board import BoardArrived
from broker_bridge.events.envelope import Event, attribute, padded
from broker_bridge.events.union import dump_event, parse_event, schema_uri

# CloudEvents 1.0, "Type System", String: what may not stand in an attribute.
FORBIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef]"
    + "".join(f"|[{chr(p * 0x10000 + 0xFFFE)}{chr(p * 0x10000 + 0xFFFF)}]" for p in range(17))
)


def arrived(**changes: str) -> Event:
    given = {
        "id": "g.1.0.0",
        "source": "/harbour/smt/l1/paste",
        "type": "board.arrived",
        "time": "2026-03-02T08:15:30Z",
        "dataschema": schema_uri("board.arrived"),
        "recordedtime": "2026-03-02T08:15:31Z",
        "sequence": padded(7),
        "epoch": padded(1),
    }
    return Event(**(given | changes), data=BoardArrived(how="loaded", origin=Origin(adapter="paste")))


def test_attribute_names_are_those_cloudevents_allows() -> None:
    """CloudEvents 1.0, "Attribute Naming Convention": lower-case letters and digits, not more than 20."""
    assert all(re.fullmatch("[a-z0-9]{1,20}", name) for name in Event.model_fields)


def test_required_attributes_are_there() -> None:
    """CloudEvents 1.0, "REQUIRED Attributes"."""
    document = json.loads(dump_event(arrived()))
    assert {"id", "source", "specversion", "type"} <= document.keys()
    assert document["specversion"] == "1.0"
    assert "subject" not in document, "absent, not null"


@given(st.text(max_size=30))
def test_a_text_becomes_fit_for_an_attribute_once_and_for_all(text: str) -> None:
    fit = attribute(text)
    assert not FORBIDDEN.search(fit)
    assert attribute(fit) == fit
    assert len(fit) == len(text)


@given(texts)
def test_what_is_allowed_stays_as_it_is(text: str) -> None:
    if not FORBIDDEN.search(text):
        assert attribute(text) == text


def test_control_characters_of_a_barcode_show_as_their_pictures() -> None:
    """The separators of ISO/IEC 15434 messages are RS, GS and EOT."""
    event = arrived(subject="[)>\x1e06\x1dS417\x1e\x04")
    assert event.subject == "[)>\u241e06\u241dS417\u241e\u2404"
    assert parse_event(dump_event(event)).subject == event.subject


def test_a_file_name_of_any_bytes_fits() -> None:
    assert arrived(rawname=b"r\xe9sult.csv".decode(errors="surrogateescape")).rawname == "r\ufffdsult.csv"
    assert arrived(rawname="x" * 600).rawname == "x" * 512


@given(st.integers(0, 10**20 - 1), st.integers(0, 10**20 - 1))
def test_padded_numbers_sort_as_numbers_do(one: int, other: int) -> None:
    assert (padded(one) < padded(other)) == (one < other)
    assert len(padded(one)) == 20


@pytest.mark.parametrize("number", [-1, 10**20])
def test_a_number_that_does_not_fit_is_told(number: int) -> None:
    with pytest.raises(ValueError, match=str(number)):
        padded(number)

"""Event ids have one spelling."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from strategies import event_ids

from broker_bridge.events.board import Reference
from broker_bridge.events.ids import EventId


@given(event_ids)
def test_an_id_reads_back_from_its_text(event_id: EventId) -> None:
    assert EventId.parse(str(event_id)) == event_id


@given(st.from_regex(r"[A-Za-z0-9_-]{1,8}\.[0-9]{1,4}\.[0-9]{1,3}\.[0-9]{1,3}", fullmatch=True))
def test_a_text_is_refused_or_the_only_spelling_of_its_id(text: str) -> None:
    try:
        event_id = EventId.parse(text)
    except ValueError:
        assert any(len(number) > 1 and number[0] == "0" for number in text.split(".")[1:])
    else:
        assert str(event_id) == text


@pytest.mark.parametrize(
    "text",
    [
        "", "g", "g.1.0", "g.1.0.0.0", ".1.0.0", "g.01.0.0", "g.1.00.0", "g.1.0.01", "g.-1.0.0", "g.+1.0.0",
        "g. 1.0.0", "g.1.0.0\n", "g.1_0.0.0", "g.1e3.0.0", "g.١.0.0", "é.1.0.0", "a b.1.0.0",
        "g" * 65 + ".1.0.0", "g." + "1" * 19 + ".0.0", "g.1.1000000.0", "g.1.0.1000000",
    ],
)  # fmt: skip
def test_what_is_no_id_is_told(text: str) -> None:
    with pytest.raises(ValueError, match="is no event id") as caught:
        EventId.parse(text)
    assert repr(text) in str(caught.value)
    with pytest.raises(ValidationError):
        Reference(source="/a/b/c/d", id=text)


def test_the_parts_are_named() -> None:
    assert EventId.parse("3f_A-9.4096.2.1") == EventId("3f_A-9", 4096, 2, 1)
    assert EventId.parse("0.0.0.0") == EventId("0", 0, 0, 0)

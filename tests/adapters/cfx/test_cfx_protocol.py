"""CFX on the wire: packing, batches, envelopes, scalars.

Outside checks: gzip and zlib of the standard library pack what is unpacked here (RFC 1952, RFC 1950, RFC 1951). Spellings of
.NET (TimeSpan, DateTime, Guid) are those of the published examples of IPC-2591.
"""

import gzip
import json
import zlib
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.adapters.cfx.protocol import scalars, words
from broker_bridge.adapters.cfx.protocol.envelope import USUAL, Broken, Envelope, Limits, read
from broker_bridge.adapters.cfx.protocol.names import MESSAGES, known, topic
from broker_bridge.adapters.cfx.protocol.node import Node, Notes, leaves
from broker_bridge.adapters.cfx.protocol.writing import span_text, time_text, unique_id, write
from broker_bridge.errors import MappingError


def message(**more: Any) -> dict[str, Any]:
    return {
        "MessageName": "CFX.Production.UnitsArrived",
        "Version": "1.7",
        "TimeStamp": "2026-03-02T09:15:04.1234567+01:00",
        "UniqueID": "7D0A4A55-7a3e-4a39-9c0e-0b1d5c3a2f10",
        "Source": "HarbourWorks.Printer.1",
        "Target": None,
        "RequestID": None,
        "MessageBody": {"PrimaryIdentifier": "HW-P-01"},
    } | more


def raw(**more: Any) -> bytes:
    return json.dumps(message(**more)).encode()


def one(body: bytes, encoding: str | None = None, limits: Limits = USUAL) -> Envelope:
    (found,) = read(body, encoding, limits)
    assert isinstance(found, Envelope), found
    return found


def refused(body: bytes, encoding: str | None = None, limits: Limits = USUAL) -> Broken:
    (found,) = read(body, encoding, limits)
    assert isinstance(found, Broken), found
    return found


PACKED = {
    "raw": (raw(), None),
    "gzip": (gzip.compress(raw()), "gzip"),
    "gzip in capitals": (gzip.compress(raw()), "GZIP"),
    "gzip, not stated": (gzip.compress(raw()), None),
    "gzip of two members": (gzip.compress(raw()[:50]) + gzip.compress(raw()[50:]), "gzip"),
    "zlib": (zlib.compress(raw()), "deflate"),
    "zlib, not stated": (zlib.compress(raw()), None),
    "deflate without a head": (zlib.compress(raw(), wbits=-15), "deflate"),
    "byte order mark": (b"\xef\xbb\xbf" + raw(), None),
    "blanks around": (b" \r\n" + raw() + b"\n ", None),
}


@pytest.mark.parametrize("how", PACKED)
def test_a_message_is_read_however_it_is_packed(how: str) -> None:
    found = one(*PACKED[how])
    assert found.name == "CFX.Production.UnitsArrived"
    assert found.source == "HarbourWorks.Printer.1"
    assert found.raw == raw()
    assert found.flags == ()
    assert found.key == "7d0a4a55-7a3e-4a39-9c0e-0b1d5c3a2f10"
    assert found.time is not None
    assert found.time.isoformat() == "2026-03-02T09:15:04.123456+01:00"


def test_a_wrongly_stated_packing_is_read_and_flagged() -> None:
    assert one(raw(), "gzip").flags == ("encoding_mismatch",)


@pytest.mark.parametrize(
    ("body", "encoding", "code"),
    [
        (gzip.compress(raw())[:-20], "gzip", "encoding"),
        (raw(), "brotli", "encoding"),
        (b"\xff\xfe{\x00}\x00", None, "encoding"),
        (b"", None, "json"),
        (b"Hello", None, "json"),
        (b"{" + raw(), None, "json"),
        (raw() + raw(), None, "json"),
        (b'{"A": 1, "A": 2}', None, "json"),
        (b'{"MessageName": "CFX.Heartbeat", "MessageBody": {"TransactionID": "a", "TransactionId": "b"}}', None, "json"),
        (b"17", None, "envelope"),
        (b"{}", None, "envelope"),
        (b'{"MessageName": "CFX.Heartbeat", "MessageBody": [1]}', None, "envelope"),
        (b'{"MessageName": 7, "MessageBody": {}}', None, "envelope"),
        (b'{"MessageName": "../../etc", "MessageBody": {}}', None, "envelope"),
        (b'{"MessageName": "CFX.Heartbeat", "MessageBody": {"N": 1%s}}' % (b"0" * 100), None, "json"),
    ],
)  # fmt: skip
def test_what_is_no_message_is_told_with_its_bytes(body: bytes, encoding: str | None, code: str) -> None:
    found = refused(body, encoding)
    assert found.code == code, found
    assert found.reason
    assert found.key.startswith("b-")


def test_limits_hold() -> None:
    bomb = gzip.compress(b" " * 5_000_000 + raw())
    assert refused(bomb, "gzip", Limits(size=1_000_000)).code == "oversize"
    assert refused(raw(), None, Limits(size=100)).code == "oversize"
    deep = raw(MessageBody={"A": json.loads("[" * 70 + "]" * 70)})
    assert refused(deep).code == "oversize"
    assert one(raw(MessageBody={"A": json.loads("[" * 40 + "]" * 40)}))
    found = read(json.dumps([message()] * 5).encode(), None, Limits(envelopes=3))
    assert [isinstance(each, Envelope) for each in found] == [True, True, True, False]


def test_a_batch_is_read_message_by_message_each_with_its_own_bytes() -> None:
    names = ["CFX.Production.UnitsArrived", "CFX.Production.UnitsDeparted", "CFX.Heartbeat"]
    parts = [raw(MessageName=name, UniqueID=None) for name in names]
    found = read(b"[ " + b" ,\n ".join(parts) + b" ]", None)
    assert [each.raw for each in found] == parts
    assert [each.name for each in found if isinstance(each, Envelope)] == names
    assert len({each.key for each in found}) == 3
    assert read(b"[]") == []


def test_what_is_broken_in_a_batch_takes_nothing_down_before_it() -> None:
    found = read(b"[" + raw() + b', {"MessageBody": {}}, ' + raw() + b', {"x": ', None)
    assert [type(each) for each in found] == [Envelope, Broken, Envelope, Broken]
    assert isinstance(found[3], Broken)
    assert "line 1, column" in found[3].place
    cut = read(b"[" + raw() + b" " + raw(), None)
    assert [type(each) for each in cut] == [Envelope, Broken]


def test_variants_of_an_envelope() -> None:
    lower = {key[0].lower() + key[1:]: value for key, value in message().items()}
    assert one(json.dumps(lower).encode()).name == "CFX.Production.UnitsArrived"
    typed = one(raw(MessageName=None, MessageBody={"$type": "CFX.Heartbeat, CFX"}))
    assert (typed.name, typed.flags) == ("CFX.Heartbeat", ("name_from_type",))
    assert one(raw(MessageBody=None)).body == {}
    assert one(raw(TimeStamp="yesterday")).flags == ("time_unreadable",)
    assert one(raw(TimeStamp="0001-01-01T00:00:00")).time is None
    assert one(raw(UniqueID=scalars.NIL)).key.startswith("h-")
    assert one(raw(UniqueID="no guid")).key.startswith("u-")


@settings(max_examples=200)
@given(st.binary(max_size=200), st.sampled_from([None, "gzip", "deflate", "x"]))
def test_any_bytes_are_messages_or_broken(body: bytes, encoding: str | None) -> None:
    for found in read(body, encoding):
        assert isinstance(found, Envelope | Broken)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=100)
@given(st.lists(_JSON, max_size=4))
def test_a_batch_of_any_json_keeps_every_byte(values: list[Any]) -> None:
    text = json.dumps(values).encode()
    found = read(text)
    try:
        assert [json.loads(each.raw) for each in found] == values
    except json.JSONDecodeError:
        # A name that stands there twice, in two cases of letters: what follows stays together as it is.
        assert text.startswith(b"[" + b", ".join(each.raw for each in found[:-1]))


# -- scalars ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("00:01:00", 60),
        ("6.00:00:00", 518_400),
        ("00:00:05.3000000", 5.3),
        ("-00:00:01", -1),
        ("1.02:03:04.5", 93784.5),
    ],
)
def test_time_spans(text: str, seconds: float) -> None:
    assert scalars.span(text) == timedelta(seconds=seconds)
    assert scalars.span(span_text(timedelta(seconds=seconds))) == timedelta(seconds=seconds)


@settings(max_examples=100)
@given(st.timedeltas(min_value=timedelta(days=-9999), max_value=timedelta(days=9999)))
def test_every_time_span_comes_back(span: timedelta) -> None:
    assert scalars.span(span_text(span)) == span


@pytest.mark.parametrize("text", ["P1D", "60", "1:2", "", "00:01", "ten minutes"])
def test_other_spans_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no time span"):
        scalars.span(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2018-03-26T16:52:25.3769532-04:00", "2018-03-26T16:52:25.376953-04:00"),
        ("2018-03-26T16:52:25Z", "2018-03-26T16:52:25+00:00"),
        ("2016-11-05T00:00:00", "2016-11-05T00:00:00"),
        ("2018-03-26 16:52:25 +0200", "2018-03-26T16:52:25+02:00"),
    ],
)
def test_times(text: str, expected: str) -> None:
    found = scalars.moment(text)
    assert found is not None
    assert found.isoformat() == expected


def test_a_time_nobody_set_is_none() -> None:
    assert scalars.moment("0001-01-01T00:00:00") is None


def test_numbers() -> None:
    assert scalars.number("1.5e3") == 1500.0
    assert scalars.number("NaN") is None
    assert scalars.number(float("inf")) is None
    assert scalars.whole("3") == scalars.whole(3.0) == 3
    for wrong in ("1,5", True, [], "0x10"):
        with pytest.raises(ValueError, match="is no"):
            scalars.number(wrong)


@pytest.mark.parametrize(
    ("value", "code", "name"),
    [
        (2200, 2200, "SBY_NoProduct"), ("SBY_NoProduct", 2200, "SBY_NoProduct"), ("2200", 2200, "SBY_NoProduct"),
        ("22A0", 2201, "SBY_NoProductBlocked"), ("22b0", 2202, "SBY_NoProductStarved"), (3312, 3312, "3312"),
        ("prd", 1000, "PRD"), ("Napping", None, "Napping"), (17, None, "17"), ("9999", None, "9999"),
    ],
)  # fmt: skip
def test_states_by_name_number_and_former_code(value: str | int, code: int | None, name: str) -> None:
    assert words.state(value) == (code, name)


def test_enumerations_by_name_and_number() -> None:
    assert words.TEST_RESULT.find("failed") == ("Failed", True)
    assert words.TEST_RESULT.find(1) == ("Failed", True)
    assert words.TEST_RESULT.find("1") == ("Failed", True)
    assert words.TEST_RESULT.find("Postponed") == ("Postponed", False)


def test_the_standard_has_182_messages() -> None:
    """IPC-2591 as the standards body's library has it at version 2.1 (counted there)."""
    assert len(MESSAGES) == 182
    assert known("cfx.production.workstarted") == "CFX.Production.WorkStarted"
    assert known("CFX.Production.WorkDreamt") is None
    assert topic("CFX.Production.WorkStarted") == "CFX.Production"


# -- fields -----------------------------------------------------------------------------------------------


def test_fields_are_read_in_any_case_and_noted() -> None:
    notes = Notes()
    node = Node(
        {"transactionId": "2C24590D-39c5-4039-96a5-91900cecedfa", "Units": [{"X": "1.5", "Y": "NaN"}]}, notes
    )
    assert node.guid("TransactionID") == "2c24590d-39c5-4039-96a5-91900cecedfa"
    (unit,) = node.nodes("Units")
    assert (unit.number("X"), unit.number("Y"), unit.number("Z")) == (1.5, None, None)
    assert notes.read == {"transactionId", "Units", "Units[].X", "Units[].Y"}
    assert list(notes.flags) == ["not_a_number"]
    assert list(leaves({"Units": [{"X": 1, "P": {"Q": 2}}, {"X": 2}], "T": [1, 2]})) == [
        "Units[].X", "Units[].P.Q", "Units[].X", "T", "T",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("getter", "value"),
    [("text", [1]), ("number", "many"), ("whole", 1.5), ("moment", 7), ("span", "P1D"), ("node", "x"), ("nodes", "x"),
     ("truth", "yes")],
)  # fmt: skip
def test_a_wrong_field_is_named_with_its_value(getter: str, value: Any) -> None:
    node = Node({"Inner": {"Field": value}}, Notes()).node("Inner")
    assert node is not None
    with pytest.raises(MappingError) as caught:
        getattr(node, getter)("Field")
    assert caught.value.place == "Inner.Field"
    assert repr(value) in str(caught.value)


def test_a_person_in_a_wrong_field_is_not_shown() -> None:
    with pytest.raises(MappingError) as caught:
        Node({"Inspector": "Ada Harbour"}, Notes()).node("Inspector")
    assert "Ada" not in str(caught.value)


# -- writing ----------------------------------------------------------------------------------------------


def test_what_is_written_is_read_again() -> None:
    at = scalars.moment("2026-03-02T09:15:04.5+01:00")
    assert at is not None
    sending = write(
        "CFX.Production.UnitsArrived", {"PrimaryIdentifier": "Å-1"}, handle="BrokerBridge.line-1.spi-1",
        unique_id=unique_id("a"), at=at, subject="${cfx-handle}.${cfx-messagename}",
    )  # fmt: skip
    found = one(sending.body)
    assert found.time == at
    assert (found.name, found.source) == ("CFX.Production.UnitsArrived", "BrokerBridge.line-1.spi-1")
    assert sending.subject == "BrokerBridge.line-1.spi-1.CFX.Production.UnitsArrived"
    assert sending.properties["cfx-topic"] == "CFX.Production"
    # Newtonsoft, which most receivers read with, wants $type first.
    assert sending.body.index(b'"$type"') < sending.body.index(b'"PrimaryIdentifier"')
    assert time_text(at) == "2026-03-02T08:15:04.5000000+00:00"
    assert scalars.guid(unique_id("a")) == unique_id("a") != unique_id("b")

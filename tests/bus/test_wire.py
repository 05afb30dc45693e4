import json
from contextlib import suppress

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.bus import wire
from broker_bridge.errors import WireError

scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
)
texts = st.text(st.characters(exclude_categories=["Cs"]))
values = st.recursive(
    scalars | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
objects = st.dictionaries(texts, values, max_size=4)


@given(st.lists(objects, max_size=5))
def test_a_batch_is_split_into_the_bytes_it_was_joined_of(members: list[dict[str, object]]) -> None:
    events = [orjson.dumps(member) for member in members]
    assert wire.split_batch(wire.join_batch(events)) == events


@given(
    st.lists(objects, max_size=4),
    st.sampled_from([None, 0, 1, "\t"]),
    st.booleans(),
    st.sampled_from(["", " ", "\r\n"]),
)
def test_a_batch_in_any_other_layout_is_split_too(
    members: list[dict[str, object]], indent: int | str | None, ascii_only: bool, around: str
) -> None:
    raw = (around + json.dumps(members, indent=indent, ensure_ascii=ascii_only) + around).encode()
    pieces = wire.split_batch(raw)
    assert [json.loads(piece) for piece in pieces] == members
    at = 0
    for piece in pieces:  # each is a piece of the payload, unchanged, in order
        at = raw.index(piece, at) + len(piece)


@pytest.mark.parametrize(
    ("raw", "pieces"),
    [
        (b"[]", []),
        (b" [ ] ", []),
        (b"[\n\n]", []),
        (b'[\n{"a":1},\n{"b":[{"c":2},\n{"d":3}]}\n]', [b'{"a":1}', b'{"b":[{"c":2},\n{"d":3}]}']),
        (b'[\n{"a":1\n,\n"b":2}\n]', [b'{"a":1\n,\n"b":2}']),
        (b'[{"]":"}","\\"[":"{"} , {}]', [b'{"]":"}","\\"[":"{"}', b"{}"]),
        ('[{"ä":"\u2028"}]'.encode(), ['{"ä":"\u2028"}'.encode()]),
        (b'[{"a":1,"a":2}]', [b'{"a":1,"a":2}']),
        (b'[{"a":1.000000000000000000001}]', [b'{"a":1.000000000000000000001}']),
    ],
)
def test_brackets_in_texts_and_nested_arrays_do_not_mislead(raw: bytes, pieces: list[bytes]) -> None:
    assert wire.split_batch(raw) == pieces


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "not JSON"),
        (b"{}", "not an array"),
        (b'"[]"', "not an array"),
        (b"[{}", "not JSON"),
        (b"[{},]", "not JSON"),
        (b"[{}]x", "not JSON"),
        (b'[{"a":NaN}]', "not JSON"),
        (b'[{"a":"\xff"}]', "not JSON"),
        (b"\xef\xbb\xbf[]", "not JSON"),
        ("[]".encode("utf-16"), "not JSON"),
        (b"[\n{},\n7\n]", "member 2 is 7,"),
        (b'[{},{},"x"]', "member 3 is 'x',"),
        (b"[[{}]]", "member 1 is an array,"),
        (b'[\n{"a":1},\n{"b":2}],[\n{"c":3}\n]', "not JSON"),
    ],
)
def test_what_is_no_batch_is_refused_with_the_reason(raw: bytes, why: str) -> None:
    with pytest.raises(WireError, match=why):
        wire.split_batch(raw)


def nested(depth: int) -> bytes:
    return b'[{"a":' + b"[" * depth + b"]" * depth + b"}]"


def test_a_batch_may_be_nested_deeper_than_python_recurses() -> None:
    assert wire.split_batch(nested(1_015)) == [nested(1_015)[1:-1]]


@pytest.mark.parametrize("depth", [5_000, 200_000])
def test_a_batch_nested_without_measure_is_refused(depth: int) -> None:
    with pytest.raises(WireError, match="not JSON"):
        wire.split_batch(nested(depth))


@given(st.binary(max_size=60) | st.text(alphabet='[]{},:"\\ \n1a', max_size=40).map(str.encode))
def test_any_bytes_give_events_or_a_wire_error(raw: bytes) -> None:
    for read in (
        wire.split_batch,
        wire.parse_receipt,
        wire.parse_source_state,
        wire.parse_edge_state,
        wire.parse_record_state,
    ):
        with suppress(WireError):
            read(raw)


def test_messages_are_read_back_and_survive_a_newer_writer() -> None:
    receipt = wire.Receipt(
        record="main",
        incarnation=2,
        source="/harbour/smt/line-1/spi",
        epochs=(wire.EpochReceipt(epoch=7, contiguous=10, missing=((12, 13),)),),
        issued="2026-11-25T09:00:00Z",  # type: ignore[arg-type]
    )
    raw = wire.dump(receipt)
    assert wire.parse_receipt(raw) == receipt
    newer = orjson.dumps(orjson.loads(raw) | {"of tomorrow": 1})
    assert wire.parse_receipt(newer) == receipt


def test_a_wrong_field_is_named() -> None:
    with pytest.raises(WireError, match="epochs"):
        wire.parse_receipt(
            b'{"record":"main","incarnation":1,"source":"/a/b/c/d","issued":"2026-11-25T09:00:00Z",'
            b'"epochs":[{"epoch":1,"contiguous":-1}]}'
        )

"""Hypothesis strategies for messages, made from the field table, so that no message is missed."""

from typing import Any

from hypothesis import strategies as st

from broker_bridge.adapters.transfer.protocol.fields import (
    Code,
    Field,
    Group,
    Guid,
    Integer,
    Items,
    Kind,
    Names,
    Number,
    Text,
)
from broker_bridge.adapters.transfer.protocol.table import MESSAGES

# XML 1.0, production 2: the characters a document can hold.
_XML = st.one_of(
    st.characters(min_codepoint=0x20, max_codepoint=0xD7FF),
    st.characters(min_codepoint=0xE000, max_codepoint=0xFFFD),
    st.characters(min_codepoint=0x10000, max_codepoint=0x10FFFF),
    st.sampled_from("\t\n\r<>&\"'"),
)
texts = st.text(_XML, max_size=12)
guids = st.uuids().map(str).filter(lambda text: text.strip("0-"))


def _value(kind: Kind) -> st.SearchStrategy[Any]:
    match kind:
        case Text(form=None):
            return texts
        case Text():  # the only form is that of a version
            return st.tuples(st.integers(1, 999), st.integers(0, 999)).map(lambda v: f"{v[0]}.{v[1]}")
        case Guid():
            return guids
        case Integer(ranges):
            return st.one_of([st.integers(low, high) for low, high in ranges or ((-(2**31), 2**31 - 1),)])
        case Code(codes):
            return st.sampled_from(codes)
        case Number():
            return st.integers(-(10**9), 10**9).map(lambda thousandths: thousandths / 1000)
        case Names(since):
            return st.frozensets(st.sampled_from(list(since)))
        case Items(_, cls, rows):
            return st.lists(_values(cls, rows), max_size=3).map(tuple)
        case Group(cls, rows):
            return _values(cls, rows)
    raise AssertionError(kind)


def _values(cls: type[Any], rows: tuple[Field, ...]) -> st.SearchStrategy[Any]:
    parts = {
        row.name: _value(row.kind)
        if row.required or isinstance(row.kind, Items)
        else st.none() | _value(row.kind)
        for row in rows
    }
    return st.builds(cls, **parts)


BY_NAME = {row.name: _values(row.type, row.fields) for row in MESSAGES.values()}
messages = st.one_of(list(BY_NAME.values()))


@st.composite
def cuts(draw: st.DrawFn, data: bytes) -> list[bytes]:
    """The data in pieces."""
    at = sorted(draw(st.lists(st.integers(0, len(data)), max_size=12)))
    return [data[begin:end] for begin, end in zip([0, *at], [*at, len(data)], strict=True) if begin < end]

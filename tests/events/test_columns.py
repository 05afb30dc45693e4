"""Packing loses nothing, stays small where it can, and unpacking survives any bytes."""

import base64
import hashlib
import math
import struct

import numpy as np
import pytest
import zstandard
from hypothesis import example, given, settings
from hypothesis import strategies as st
from strategies import models, texts

from broker_bridge.errors import WireError
from broker_bridge.events.columns import (
    MAX_VALUES,
    block_hash,
    pack_numbers,
    pack_texts,
    unpack_numbers,
    unpack_texts,
)
from broker_bridge.events.reading import Column

floats = st.floats(allow_nan=False, allow_infinity=False)
decimals = st.builds(
    lambda number, digits: number / 10**digits, st.integers(-(2**33), 2**33), st.integers(0, 6)
)
singles = st.floats(width=32, allow_nan=False, allow_infinity=False).map(lambda value: float(f"{value:.7g}"))


def bits(values: list[float | None]) -> list[bytes | None]:
    """The very floats, so that -0.0 is not 0.0."""
    return [None if value is None or math.isnan(value) else struct.pack("<d", value) for value in values]


@settings(max_examples=150)
@given(st.one_of(*(st.lists(st.none() | kind, max_size=20) for kind in (floats, decimals, singles))))
@example([])
@example([None])
@example([-0.0])
@example([0.0, -0.0, None])
@example([1.7976931348623157e308, -1.7976931348623157e308])
@example([5e-324])
@example([3.4028235e38, 3.5e38])
@example([-32768.0, 32767.0])
@example([-32767.0, 32767.0])
@example([-2147483648.0])
@example([-2147483647.0, 2147483647.0, None])
@example([0.1 + 0.2])
@example([67.476, 100.02, None, 99.9999])
def test_numbers_come_back_bit_for_bit(values: list[float | None]) -> None:
    column = pack_numbers("volume", values)
    assert bits(unpack_numbers(column).tolist()) == bits(values)


@pytest.mark.parametrize(
    ("values", "encoding", "scale"),
    [
        ([1, -2, None, 32767], "i2", 1.0),
        ([1.5, 99.9], "i2", 0.1),
        ([67.476, 3.2767], "i4", 0.0001),
        ([-32768], "i4", 1.0),
        ([123456.789], "i4", 0.001),
        ([0.00001234], "f4", None),
        ([math.pi], "f8", None),
        ([-0.0], "f4", None),
        ([2147483648.0], "f8", None),
        ([3e9], "f4", None),
        ([], "i2", 1.0),
    ],
)
def test_the_narrowest_encoding_that_loses_nothing(
    values: list[float | None], encoding: str, scale: float | None
) -> None:
    column = pack_numbers("volume", values)
    assert (column.encoding, column.scale) == (encoding, scale)


def test_five_thousand_pads_take_few_bytes() -> None:
    """The design's figure for one number a pad is 8.4 bytes over four columns, so about 2 a column."""
    rng = np.random.default_rng(7)
    volumes = np.round(rng.normal(100, 12, 5000), 2).tolist()
    assert len(base64.b64decode(pack_numbers("volume", volumes).data)) < 2 * 5000


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_an_infinite_value_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="column volume holds an infinite value"):
        pack_numbers("volume", [1.0, value])


def test_not_a_number_is_a_missing_value() -> None:
    assert bits(unpack_numbers(pack_numbers("volume", [math.nan, 1.0])).tolist()) == bits([None, 1.0])


@given(st.lists(st.none() | texts, max_size=20))
def test_texts_come_back(values: list[str | None]) -> None:
    assert unpack_texts(pack_texts("designator", values)) == values


def test_the_same_column_gives_the_same_bytes_and_hash() -> None:
    columns = [pack_numbers("volume", [1.5, None]), pack_texts("designator", ["R1", None])]
    again = [pack_numbers("volume", [1.5, None]), pack_texts("designator", ["R1", None])]
    assert columns == again
    packed = b"".join(base64.b64decode(column.data) for column in columns)
    assert block_hash(columns) == block_hash(again) == hashlib.sha256(packed).hexdigest()
    assert block_hash(columns) != block_hash(columns[::-1])


def squeezed(raw: bytes) -> str:
    return base64.b64encode(zstandard.ZstdCompressor().compress(raw)).decode()


@pytest.mark.parametrize(
    ("column", "told"),
    [
        (Column(name="v", encoding="f8", data="?"), "column v cannot be unpacked"),
        (Column(name="v", encoding="f8", data=base64.b64encode(b"no frame").decode()), "cannot be unpacked"),
        (Column(name="v", encoding="f8", data=squeezed(b"1234567")), "7 bytes are no whole number of f8"),
        (Column(name="v", encoding="i2", data=squeezed(b"12")), "states no scale"),
        (Column(name="v", encoding="i2", scale=0.0, data=squeezed(b"12")), r"scale 0\.0"),
        (Column(name="v", encoding="i2", scale=5e-324, data=squeezed(b"12")), "scale 5e-324"),
        (Column(name="v", encoding="i2", scale=-0.1, data=squeezed(b"12")), r"scale -0\.1"),
        (Column(name="v", encoding="i2", scale=3.0, data=squeezed(b"12")), r"scale 3\.0"),
        (Column(name="v", encoding="f8", data=squeezed(b"\0\0\0\0\0\0\xf0\x7f")), "holds an infinite value"),
        (Column(name="v", encoding="text", data=squeezed(b"[]")), "holds texts, not numbers"),
    ],
)
def test_what_is_no_column_of_numbers_is_told(column: Column, told: str) -> None:
    with pytest.raises(WireError, match=told):
        unpack_numbers(column)


@pytest.mark.parametrize("raw", [b"", b"{}", b"[1]", b"[", b'"x"', b"\xff"])
def test_what_is_no_column_of_texts_is_told(raw: bytes) -> None:
    with pytest.raises(WireError, match="column v is no list of texts"):
        unpack_texts(Column(name="v", encoding="text", data=squeezed(raw)))


def test_a_column_that_swells_is_refused_before_it_takes_memory() -> None:
    """A frame of a few kilobytes may state, and hold, gigabytes."""
    bomb = squeezed(b"\0" * (16 * 2**20 + 1))
    assert len(bomb) < 20_000
    with pytest.raises(WireError, match="column v would take 16777217 bytes"):
        unpack_numbers(Column(name="v", encoding="f8", data=bomb))
    with pytest.raises(WireError, match="column v would take 16777217 bytes"):
        unpack_texts(Column(name="v", encoding="text", data=bomb))


def test_a_column_holds_a_million_numbers_and_no_more() -> None:
    most = np.zeros(MAX_VALUES).tolist()
    assert len(unpack_numbers(pack_numbers("v", most))) == MAX_VALUES
    with pytest.raises(ValueError, match="at most 1,048,576"):
        pack_numbers("v", [*most, 0.0])
    for encoding, width in (("i2", 2), ("f8", 8)):
        swollen = squeezed(b"\0" * (width * (MAX_VALUES + 1)))
        with pytest.raises(WireError, match="more than"):
            unpack_numbers(Column(name="v", encoding=encoding, scale=1.0, data=swollen))  # type: ignore[arg-type]


def test_a_hash_over_what_is_no_base64_is_told() -> None:
    with pytest.raises(WireError, match="column v"):
        block_hash([Column(name="v", encoding="f8", data="?")])


@given(models(Column))
def test_any_column_unpacks_or_is_a_wire_error(column: Column) -> None:
    unpack = unpack_texts if column.encoding == "text" else unpack_numbers
    with pytest.raises(WireError):
        unpack(column)


@given(
    st.binary(max_size=64), st.sampled_from(["i2", "i4", "f4", "f8", "text"]), st.sampled_from([1.0, 0.01])
)
def test_any_bytes_unpack_or_are_a_wire_error(raw: bytes, encoding: str, scale: float) -> None:
    column = Column(name="v", encoding=encoding, scale=scale, data=squeezed(raw))  # type: ignore[arg-type]
    try:
        values = unpack_texts(column) if encoding == "text" else unpack_numbers(column)
    except WireError:
        return
    assert encoding == "text" or len(values) == len(raw) // int(encoding[1])

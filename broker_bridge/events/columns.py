"""Packing long columns of numbers or texts, so that nothing is lost and little is stored.

Numbers become 16- or 32-bit integers times a power of ten only where that gives back every value exactly;
else 32-bit floats where their seven digits give back every value; else 64-bit floats. The bytes of one column
are shuffled (all first bytes, then all second bytes ...) and compressed with zstd. A missing value is the
smallest integer, or not-a-number.
"""

import base64
import hashlib
from collections.abc import Iterable, Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import orjson
import zstandard

from broker_bridge.errors import WireError
from broker_bridge.events.reading import Column

Floats = npt.NDArray[np.float64]

_LEVEL: Final = 3
_INTEGERS: Final[tuple[tuple[Literal["i2", "i4"], int], ...]] = (("i2", 2**15 - 1), ("i4", 2**31 - 1))
_SCALES: Final = tuple(10.0**-digits for digits in range(5))
MAX_VALUES: Final = 2**20
"""Values of a column: a panel has some thousand pads."""
_MAX_TEXT: Final = 16 * 2**20
"""Bytes of a text column, unpacked."""


class _Packed(NamedTuple):
    encoding: Literal["i2", "i4", "f4", "f8"]
    scale: float | None
    array: npt.NDArray[np.generic]


def pack_numbers(name: str, values: Sequence[float | None], unit: str | None = None) -> Column:
    """A column of numbers, at most 2**20; None is a missing value. Unpacking gives back exactly the floats put in."""
    if len(values) > MAX_VALUES:
        raise ValueError(f"column {name} holds {len(values):,} values; at most {MAX_VALUES:,} may be packed")
    floats = np.array([np.nan if value is None else value for value in values], dtype="<f8")
    if np.isinf(floats).any():
        raise ValueError(f"column {name} holds an infinite value")
    packed = _narrowest(floats)
    raw = packed.array.tobytes()
    width = packed.array.dtype.itemsize
    shuffled = np.frombuffer(raw, dtype=np.uint8).reshape(-1, width).T.tobytes()
    return Column(name=name, unit=unit, encoding=packed.encoding, scale=packed.scale, data=_squeeze(shuffled))


def pack_texts(name: str, values: Iterable[str | None]) -> Column:
    """A column of texts; None is a missing one."""
    return Column(name=name, encoding="text", data=_squeeze(orjson.dumps(list(values))))


def unpack_numbers(column: Column) -> Floats:
    """The values, missing ones as not-a-number. Raises WireError when the bytes are not such a column."""
    if column.encoding == "text":
        raise WireError(f"column {column.name} holds texts, not numbers")
    width = int(column.encoding[1])
    raw = _stretch(column, width * MAX_VALUES)
    if len(raw) % width:
        raise WireError(f"column {column.name}: {len(raw)} bytes are no whole number of {column.encoding}")
    plain = np.frombuffer(raw, dtype=np.uint8).reshape(width, -1).T.tobytes()
    array = np.frombuffer(plain, dtype=f"<{column.encoding}")
    if column.encoding in ("f8", "f4"):
        values = (
            array.astype(np.float64) if column.encoding == "f8" else _seven_digits(array.astype(np.float32))
        )
        if np.isinf(values).any():
            raise WireError(f"column {column.name} holds an infinite value")
        return values
    if column.scale is None:
        raise WireError(f"column {column.name} holds integers but states no scale")
    if column.scale not in _SCALES:
        raise WireError(f"column {column.name} states scale {column.scale!r}; allowed are {_SCALES}")
    floats = _scaled(array, column.scale)
    floats[array == np.iinfo(array.dtype).min] = np.nan
    return floats


def unpack_texts(column: Column) -> list[str | None]:
    """The texts of a text column. Raises WireError when the bytes are not such a column."""
    try:
        values = orjson.loads(_stretch(column, _MAX_TEXT))
    except orjson.JSONDecodeError as error:
        raise WireError(f"column {column.name} is no list of texts: {error}") from None
    if not isinstance(values, list) or not all(value is None or isinstance(value, str) for value in values):
        raise WireError(f"column {column.name} is no list of texts")
    return values


def block_hash(columns: Iterable[Column]) -> str:
    """SHA-256 over the packed bytes of the columns, in order. Raises WireError when one is no base64."""
    digest = hashlib.sha256()
    for column in columns:
        digest.update(_bytes(column))
    return digest.hexdigest()


def _narrowest(floats: Floats) -> _Packed:
    known = floats[~np.isnan(floats)]
    for digits, scale in enumerate(_SCALES):
        integers = np.rint(known * 10.0**digits)
        largest = float(np.abs(integers).max(initial=0.0))
        if largest > _INTEGERS[-1][1]:
            break
        if np.array_equal(_scaled(integers, scale), known) and not np.signbit(known[known == 0]).any():
            for encoding, limit in _INTEGERS:
                if largest <= limit:
                    return _Packed(encoding, scale, _with_missing(floats, integers, encoding))
    with np.errstate(over="ignore"):
        singles = floats.astype("<f4")
    if np.array_equal(_seven_digits(singles[~np.isnan(floats)]), known):
        return _Packed("f4", None, singles)
    return _Packed("f8", None, floats)


def _with_missing(floats: Floats, integers: Floats, encoding: str) -> npt.NDArray[np.generic]:
    array = np.full(floats.shape, np.iinfo(f"<{encoding}").min, dtype=f"<{encoding}")
    array[~np.isnan(floats)] = integers.astype(f"<{encoding}")
    return array


def _scaled(integers: npt.NDArray[np.generic], scale: float) -> Floats:
    # Dividing by a power of ten is correctly rounded, so 67476 / 1000 is the very float that "67.476" reads as.
    return np.asarray(integers, dtype=np.float64) / round(1 / scale)


def _seven_digits(singles: npt.NDArray[np.float32]) -> Floats:
    return np.array([float(f"{single:.7g}") for single in singles.tolist()], dtype=np.float64)


def _squeeze(raw: bytes) -> str:
    return base64.b64encode(zstandard.ZstdCompressor(level=_LEVEL).compress(raw)).decode("ascii")


def _stretch(column: Column, limit: int) -> bytes:
    packed = _bytes(column)
    try:
        # The frame's own word about its size is taken before the limit is: it has to be looked at first.
        size = zstandard.frame_content_size(packed)
        if size > limit:
            raise WireError(f"column {column.name} would take {size} bytes unpacked, more than {limit}")
        return zstandard.ZstdDecompressor().decompress(packed, max_output_size=limit)
    except zstandard.ZstdError as error:
        raise WireError(f"column {column.name} cannot be unpacked: {error}") from None


def _bytes(column: Column) -> bytes:
    try:
        return base64.b64decode(column.data, validate=True)
    except ValueError as error:
        raise WireError(f"column {column.name} cannot be unpacked: {error}") from None

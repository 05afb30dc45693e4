"""How a body lies in the database.

Large bodies are compressed: a paste block is base64 of packed numbers, whose alphabet of 64 costs a third more
than the numbers and comes back to their size. Short ones would gain little and cost every reader a call.
"""

from functools import cache
from typing import TYPE_CHECKING, Final

from broker_bridge.errors import RecordDamaged

if TYPE_CHECKING:
    import zstandard

PLAIN: Final = 0
ZSTD: Final = 1
PACK_FROM: Final = 4096
"""Bytes from which a body is compressed, when that makes it smaller."""
LARGEST: Final = 64 * 2**20
"""Bytes of a body at most, far above what a payload may have: a damaged one may state any size."""
UNREADABLE: Final = (ValueError, TypeError, LookupError, OverflowError, RecursionError)
"""What reading a stored event raises where its bytes or columns are not as they were written."""


def pack(body: bytes) -> tuple[int, bytes]:
    """A body as encoding and stored bytes."""
    if len(body) < PACK_FROM:
        return PLAIN, body
    packed = _compressor().compress(body)
    return (ZSTD, packed) if len(packed) < len(body) else (PLAIN, body)


def unpack(encoding: int, stored: bytes) -> bytes:
    """The body as received. Raises RecordDamaged when the stored bytes cannot be read."""
    if encoding == PLAIN:
        return stored
    if encoding != ZSTD:
        raise RecordDamaged(f"unknown encoding {encoding} of a stored body")
    import zstandard

    try:
        if zstandard.frame_content_size(stored) > LARGEST:
            raise RecordDamaged(f"a stored body says that it has more than {LARGEST:,} bytes")
        return zstandard.ZstdDecompressor().decompress(stored, max_output_size=LARGEST)
    except zstandard.ZstdError as error:
        raise RecordDamaged(f"a stored body cannot be decompressed: {error}") from error


@cache
def _compressor() -> "zstandard.ZstdCompressor":
    import zstandard  # only records with large bodies need it

    return zstandard.ZstdCompressor(level=3)

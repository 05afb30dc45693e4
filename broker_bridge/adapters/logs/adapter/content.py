"""Compressed content -> plain bytes, with a cap, and the name of what was read.

The same bytes plain, gzipped, renamed or dropped again are the same content: its generation is a hash of the
decompressed bytes, and of what the mapping takes from the file's name and time.
"""

import hashlib
import zlib
from typing import Final

import zstandard

from broker_bridge.errors import SourceError

_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"
_CHUNK: Final = 2**20


class Unreadable(SourceError):
    """A file whose content cannot be had."""


class ContentTooLarge(Unreadable):
    """There are more bytes than may be read."""


class Unfinished(Unreadable):
    """The compressed bytes end too early or are damaged: the file may still be written."""


class OtherPacking(Unreadable):
    """The bytes are packed in a way that is not read here."""


_OTHERS: Final = (
    (b"PK\x03\x04", "a ZIP archive"),
    (b"PK\x05\x06", "a ZIP archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a RAR archive"),
    (b"\xfd7zXZ\x00", "packed as xz"),
    (b"BZh", "packed as bzip2"),
)
_BZIP2_BLOCK: Final = b"1AY&SY"
"""What the first block behind `BZh` and a digit begins with: `BZh` alone may begin a text."""


def decompressed(raw: bytes, most: int) -> bytes:
    """The plain bytes of gzip, zstd or uncompressed content.

    Raises ContentTooLarge when there are more than `most` of them, Unfinished when the compressed bytes end too
    early or are damaged, OtherPacking when they are packed in another way.
    """
    other = other_packing(raw)
    if other is not None:
        raise OtherPacking(other)
    try:
        if raw.startswith(_GZIP):
            raw = _gunzip(raw, most)
        elif raw.startswith(_ZSTD):
            raw = _unzstd(raw, most)
    except (zlib.error, zstandard.ZstdError) as error:
        raise Unfinished(f"its compression is damaged: {error}") from None
    if len(raw) > most:
        raise _too_large(most)
    return raw


def other_packing(raw: bytes) -> str | None:
    """What to tell about bytes that are packed in a way that is not read here, by how they begin; None for others."""
    for magic, told in _OTHERS:
        if raw.startswith(magic) and (magic != b"BZh" or raw[4:10] == _BZIP2_BLOCK):
            return f"it is {told}, which is not read here: unpack it, or let the machine write gzip or zstd"
    return None


def plain_name(name: str) -> str:
    """The file's name as it was before compression: a rotated or gzipped file is still the same file."""
    for suffix in (".gz", ".zst"):
        if name.lower().endswith(suffix):
            return name[: -len(suffix)]
    return name


def generation_of(digest: str, values: dict[str, str]) -> str:
    """The generation of content with this hash; `values` are what its events take from name and time."""
    if not values:
        return digest[:32]
    told = "\x00".join(f"{key}={values[key]}" for key in sorted(values))
    return hashlib.sha256(f"{digest}\x00{told}".encode("utf-8", "surrogatepass")).hexdigest()[:32]


def _too_large(most: int) -> ContentTooLarge:
    return ContentTooLarge(f"it holds more than {most} bytes (max_file_mb)")


def _gunzip(raw: bytes, most: int) -> bytes:
    out = bytearray()
    while raw:
        inflate = zlib.decompressobj(wbits=31)
        while raw and not inflate.eof:
            out += inflate.decompress(raw, _CHUNK)
            raw = inflate.unconsumed_tail or inflate.unused_data
            if len(out) > most:
                raise _too_large(most)
            if not inflate.eof and not inflate.unconsumed_tail:
                break
        if not inflate.eof:
            raise Unfinished("its gzip content ends too early")
        raw = inflate.unused_data.lstrip(b"\x00")  # some tools pad members to a block
    return bytes(out)


def _unzstd(raw: bytes, most: int) -> bytes:
    out = bytearray()
    while raw:
        inflate = zstandard.ZstdDecompressor().decompressobj()
        for at in range(0, len(raw), 65536):
            out += inflate.decompress(raw[at : at + 65536])
            if len(out) > most:
                raise _too_large(most)
            if inflate.eof:
                raw = inflate.unused_data + raw[at + 65536 :]
                break
        else:
            raise Unfinished("its zstd content ends too early")
    return bytes(out)

"""The body of an AMQP message to JSON text, whatever it is packed in, within a limit.

What a sender states about its packing is often absent or wrong (libraries of before CFX 1.2 state none), so the first
bytes decide, as RFC 1952 (gzip), RFC 1950 (zlib) and RFC 8259 (JSON) give them.
"""

import zlib
from typing import Final, NamedTuple

from broker_bridge.errors import MappingError

_GZIP: Final = b"\x1f\x8b"
_BOM: Final = b"\xef\xbb\xbf"
_WHITE: Final = b" \t\r\n"


class Unpacked(NamedTuple):
    """The JSON text's bytes, and what was odd about how they came."""

    data: bytes
    flags: tuple[str, ...] = ()


def unpack(body: bytes, encoding: str | None, limit: int) -> Unpacked:
    """The bytes of the JSON text in a body. `encoding`: its stated content-encoding; `limit`: bytes unpacked, at most.

    Raises MappingError for what is no gzip, deflate or JSON, is cut off, or is larger.
    """
    stated = (encoding or "").strip().casefold()
    if stated not in ("", "identity", "none", "gzip", "x-gzip", "deflate"):
        raise MappingError(
            f"content-encoding is {stated!r}; known are gzip, deflate and none", "content-encoding"
        )
    if body[:2] == _GZIP:
        found, data = "gzip", _inflated(body, 16 + zlib.MAX_WBITS, limit)
    elif _is_zlib(body):
        found, data = "deflate", _inflated(body, zlib.MAX_WBITS, limit)
    elif stated == "deflate" and not _is_json(body):
        found, data = "deflate", _inflated(body, -zlib.MAX_WBITS, limit)
    else:
        found, data = "", body
        if len(body) > limit:
            raise _too_large(limit)
    flags = (
        ("encoding_mismatch",)
        if stated.removeprefix("x-") in ("gzip", "deflate") and stated.removeprefix("x-") != found
        else ()
    )
    if data[:3] == _BOM:
        data = data[3:]
    return Unpacked(data, flags)


def _is_json(body: bytes) -> bool:
    return body.removeprefix(_BOM).lstrip(_WHITE)[:1] in (b"{", b"[")


def _is_zlib(body: bytes) -> bool:
    # RFC 1950, section 2.2: method 8, and the first two bytes are a multiple of 31.
    return len(body) > 2 and body[0] & 0x0F == 8 and (body[0] << 8 | body[1]) % 31 == 0


def _inflated(body: bytes, bits: int, limit: int) -> bytes:
    parts: list[bytes] = []
    size = 0
    rest = body
    while rest:
        member = zlib.decompressobj(bits)
        try:
            part = member.decompress(rest, limit - size + 1)
        except zlib.error as error:
            raise MappingError(f"cannot be unpacked: {error}", "body") from None
        size += len(part)
        if size > limit:
            raise _too_large(limit)
        if not member.eof:
            raise MappingError("the packed body is cut off", "body")
        parts.append(part)
        rest = member.unused_data if bits > zlib.MAX_WBITS else b""  # only gzip has members behind each other
    return b"".join(parts)


def _too_large(limit: int) -> MappingError:
    return MappingError(f"is larger than {limit:,} bytes unpacked (max_message_mb)", "body")

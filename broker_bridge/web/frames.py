"""How a request and its answer travel between the service and the processes beside it: a head as JSON, and bytes."""

import json
import struct
from typing import Any, Final, NamedTuple

_LENGTHS: Final = struct.Struct(">II")
PREFIX: Final = _LENGTHS.size
"""Bytes that say how many follow."""


class Frame(NamedTuple):
    """One of them."""

    head: dict[str, Any]
    body: bytes = b""


def packed(frame: Frame) -> bytes:
    """As bytes."""
    head = json.dumps(frame.head).encode()
    return _LENGTHS.pack(len(head), len(frame.body)) + head + frame.body


def lengths(prefix: bytes) -> tuple[int, int]:
    """How long head and body are."""
    head, body = _LENGTHS.unpack(prefix)
    return head, body


def unpacked(head: bytes, body: bytes) -> Frame:
    """The frame of head and body."""
    return Frame(json.loads(head), body)

"""Envelopes to bytes, and the AMQP properties the standard's own library puts beside them.

`$type` is the first field of every object that has one: some readers need that.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from broker_bridge.adapters.cfx.protocol.names import topic

VERSION: Final = "2.1"
"""The version of the standard that is written."""
_NAMESPACE: Final = bytes.fromhex("b5c0d1a24b7e4b0e9a4f5f6e2c1d8a37")
CONTENT_TYPE: Final = 'application/json; charset="utf-8"'


@dataclass(frozen=True, slots=True)
class Sending:
    """What goes into one AMQP message."""

    body: bytes
    message_id: str
    subject: str
    reply_to: str
    properties: Mapping[str, str | None]
    created: datetime


def write(
    name: str, body: Mapping[str, Any], *, handle: str, unique_id: str, at: datetime, subject: str
) -> Sending:
    """A message as it is sent. `subject`: its form, with ${cfx-handle}, ${cfx-topic} and ${cfx-messagename} in it."""
    envelope = {
        "MessageName": name,
        "Version": VERSION,
        "TimeStamp": time_text(at),
        "UniqueID": unique_id,
        "Source": handle,
        "Target": None,
        "RequestID": None,
        "MessageBody": {"$type": f"{name}, CFX", **body},
    }
    placed = (
        subject.replace("${cfx-handle}", handle)
        .replace("${cfx-topic}", topic(name))
        .replace("${cfx-messagename}", name)
    )
    return Sending(
        body=json.dumps(envelope, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8"),
        message_id=unique_id,
        subject=placed,
        reply_to=handle,
        properties={
            "cfx-topic": topic(name),
            "cfx-message": name,
            "cfx-handle": handle,
            "cfx-target": None,
        },
        created=at.astimezone(UTC),
    )


def unique_id(name: str) -> str:
    """A GUID made of a name, always the same for it (RFC 9562, version 5, in a namespace of our own)."""
    digest = bytearray(hashlib.sha1(_NAMESPACE + name.encode("utf-8"), usedforsecurity=False).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    text = digest.hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def time_text(at: datetime) -> str:
    """A time as the standard wants it, with its zone, here always UTC."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "0+00:00")


def span_text(span: timedelta) -> str:
    """A time span, [-][d.]hh:mm:ss[.fffffff]."""
    sign = "-" if span < timedelta(0) else ""
    span = abs(span)
    hours, rest = divmod(span.seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    days = f"{span.days}." if span.days else ""
    fraction = f".{span.microseconds:06d}0" if span.microseconds else ""
    return f"{sign}{days}{hours:02d}:{minutes:02d}:{seconds:02d}{fraction}"


def not_supported(target: str | None, request_id: str | None, at: datetime) -> bytes:
    """The answer to a request that is not done."""
    name = "CFX.NotSupportedResponse"
    envelope = {
        "MessageName": name,
        "Version": VERSION,
        "TimeStamp": time_text(at),
        "UniqueID": unique_id(f"{target}\n{request_id}\n{at.isoformat()}"),
        "Source": None,
        "Target": target,
        "RequestID": request_id,
        "MessageBody": {
            "$type": f"{name}, CFX",
            "RequestResult": {
                "Result": "Failed",
                "ResultCode": -1,
                "Message": "not supported: this endpoint only listens",
            },
        },
    }
    return json.dumps(envelope, ensure_ascii=False).encode("utf-8")

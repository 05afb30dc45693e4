"""Pure: the headers by which a receiver knows who sent a message, and that nobody changed it.

Standard Webhooks 1.0 (github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md), sections "Webhook
headers" and "Symmetric signatures": HMAC-SHA256 over id, timestamp and body with dots between, base64, `v1,` in front.
"""

import base64
import binascii
import hashlib
import hmac
from collections.abc import Mapping, Sequence
from typing import Final

from broker_bridge.errors import ConfigError

PREFIX: Final = "whsec_"
_SHORTEST: Final = 24
_LONGEST: Final = 64
"""Bytes of a key, as the specification recommends."""


def key(secret: str, name: str) -> bytes:
    """The key in a secret. Raises ConfigError, naming `name` and never showing the secret."""
    try:
        found = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise ConfigError(f"{name}: holds no base64 text behind {PREFIX!r}") from None
    if not _SHORTEST <= len(found) <= _LONGEST:
        raise ConfigError(
            f"{name}: a key of {len(found)} bytes; Standard Webhooks asks for {_SHORTEST} to {_LONGEST}:"
            f" {PREFIX}$(openssl rand -base64 32)"
        )
    return found


def message_id(source: str, event: str) -> str:
    """The same for an event whenever it is sent, so that a receiver knows a repetition. Without dots, as it is signed."""
    return "ev_" + hashlib.sha256(f"{source}\n{event}".encode()).hexdigest()[:40]


def headers(keys: Sequence[bytes], message: str, timestamp: int, body: bytes) -> Mapping[str, str]:
    """The three headers; with several keys a receiver accepts whichever it knows. `timestamp`: seconds since 1970."""
    signed = b".".join((message.encode(), str(timestamp).encode(), body))
    signatures = (
        base64.b64encode(hmac.new(one, signed, hashlib.sha256).digest()).decode("ascii") for one in keys
    )
    return {
        "webhook-id": message,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(f"v1,{signature}" for signature in signatures),
    }

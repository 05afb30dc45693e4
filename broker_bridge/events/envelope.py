"""The CloudEvents 1.0 attributes around an event's data (structured mode, JSON).

`epoch`, `recordedtime`, `sequence` (CloudEvents sequence extension) and `rawname` are ours or extensions: they
tell about the intake, not about what happened, so they do not count when two events are compared.
"""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, SerializeAsAny, StringConstraints

from broker_bridge.events.base import Data, Model, Text, Time
from broker_bridge.events.ids import EventId

SOURCE_PATTERN = r"^/[a-z0-9][a-z0-9-]{0,62}(/[a-z0-9][a-z0-9-]{0,62}){3}$"
SCHEMA_URI = "urn:broker-bridge:event:{type}:{version}"
SCHEMA_VERSION = 1


def _event_id(text: str) -> str:
    EventId.parse(text)
    return text


class Event(Model):
    """One statement of one source. `source` + `id` is unique; reading the raw record again gives the same."""

    specversion: Literal["1.0"] = "1.0"
    id: Annotated[str, AfterValidator(_event_id)]
    """generation.position.ordinal.revision of the raw record (module ids)."""
    source: Annotated[str, StringConstraints(pattern=SOURCE_PATTERN)]
    """Who says it: /site/area/line/adapter."""
    type: str
    """family.type, for instance board.arrived."""
    subject: Text | None = None
    """The best board identifier known; absent if none."""
    time: Time
    """When it happened, UTC, as far as the source knows; its doubts are in data.origin."""
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Annotated[str, StringConstraints(pattern=r"^urn:broker-bridge:event:[a-z_.]+:[0-9]+$")]
    recordedtime: Time
    """When the adapter took the raw record in, by the clock of the edge."""
    sequence: Annotated[str, StringConstraints(pattern=r"^[0-9]{20}$")]
    """Gap-free number within source and epoch, from 1, zero-padded so that text sorts as numbers do."""
    epoch: Annotated[str, StringConstraints(pattern=r"^[0-9]{20}$")]
    """Birth of the outbox that numbered it, milliseconds since 1970, zero-padded. Only grows."""
    rawname: Text | None = None
    """File name or connection under which the raw record was met. May differ when it is met again."""
    data: SerializeAsAny[Data]


_SEQUENCE = re.compile(r"\A[0-9]{20}\Z")


def padded(number: int) -> str:
    """A sequence or epoch as the envelope spells it. Raises ValueError outside 0..10**20-1."""
    text = f"{number:020d}"
    if not _SEQUENCE.match(text):
        raise ValueError(f"{number} does not fit a sequence or epoch of 20 digits")
    return text

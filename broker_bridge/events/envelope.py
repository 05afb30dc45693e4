"""The CloudEvents 1.0 attributes around an event's data (structured mode, JSON).

`epoch`, `recordedtime`, `sequence` (CloudEvents sequence extension) and `rawname` are ours or extensions: they
tell about the intake, not about what happened, so they do not count when two events are compared.
"""

import re
from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, SerializeAsAny, StringConstraints

from broker_bridge.events.base import Data, Model, Time
from broker_bridge.events.ids import PATTERN

SOURCE_PATTERN = r"^/[a-z0-9][a-z0-9-]{0,62}(/[a-z0-9][a-z0-9-]{0,62}){3}$"
SCHEMA_URI = "urn:broker-bridge:event:{type}:{version}"
SCHEMA_VERSION = 1
MAX_ATTRIBUTE: Final = 512

_FORBIDDEN: Final = re.compile(
    "[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef"
    + "".join(chr(plane * 0x10000 + last) for plane in range(17) for last in (0xFFFE, 0xFFFF))
    + "]"
)
_PICTURES: Final = {code: chr(0x2400 + code) for code in range(0x20)} | {0x7F: "\u2421"}


def attribute(text: str) -> str:
    """A text as CloudEvents lets it stand in an attribute: for showing; the data holds it letter for letter.

    CloudEvents 1.0 ("Type System", String) forbids control characters, which barcodes of ISO/IEC 15434 and
    file names hold: they appear as their control pictures, what else is forbidden as U+FFFD. Cut to 512.
    """
    if len(text) <= MAX_ATTRIBUTE and text.isprintable():
        return text  # nothing forbidden is printable, and the search for it costs an event more than reading its type
    return _FORBIDDEN.sub(lambda found: _PICTURES.get(ord(found[0]), "\ufffd"), text[:MAX_ATTRIBUTE])


def fitting(value: object) -> object:
    """A text made fit for an attribute; whatever else it is, as it is."""
    return attribute(value) if isinstance(value, str) else value


Label = Annotated[str, StringConstraints(min_length=1, max_length=MAX_ATTRIBUTE), BeforeValidator(fitting)]
"""A text for people in an attribute, made fit for it."""


class Event(Model):
    """One statement of one source. `source` + `id` is unique; reading the raw record again gives the same."""

    specversion: Literal["1.0"] = "1.0"
    id: Annotated[str, StringConstraints(pattern=rf"^{PATTERN}$")]
    """generation.position.ordinal.revision of the raw record (module ids)."""
    source: Annotated[str, StringConstraints(pattern=SOURCE_PATTERN)]
    """Who says it: /site/area/line/adapter."""
    type: str
    """family.type, for instance board.arrived."""
    subject: Label | None = None
    """The best board identifier known; absent if none."""
    time: Time
    """When it happened, UTC, as far as the source knows; its doubts are in data.origin."""
    datacontenttype: Literal["application/json"] = "application/json"
    dataschema: Annotated[str, StringConstraints(pattern=r"^urn:broker-bridge:event:[a-z_.]+:[0-9]+$")]
    """Type and version of the data. A version this program does not know is refused, never guessed."""
    recordedtime: Time
    """When the adapter took the raw record in, by the clock of the edge."""
    sequence: Annotated[str, StringConstraints(pattern=r"^[0-9]{20}$")]
    """Gap-free number within source and epoch, from 1, zero-padded so that text sorts as numbers do."""
    epoch: Annotated[str, StringConstraints(pattern=r"^[0-9]{20}$")]
    """Birth of the outbox that numbered it, milliseconds since 1970, zero-padded. Only grows."""
    rawname: Label | None = None
    """File name or connection under which the raw record was met. May differ when it is met again."""
    data: SerializeAsAny[Data]


_SEQUENCE = re.compile(r"\A[0-9]{20}\Z")


def padded(number: int) -> str:
    """A sequence or epoch as the envelope spells it. Raises ValueError outside 0..10**20-1."""
    text = f"{number:020d}"
    if not _SEQUENCE.match(text):
        raise ValueError(f"{number} does not fit a sequence or epoch of 20 digits")
    return text

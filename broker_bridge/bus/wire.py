"""What travels over the bus: events (events.union), arrays of them, receipts and source states.

Receipts and states are JSON objects with frozen models of their own. A receipt is what lets an edge forget:
it is only trusted live and from the configured record in its present incarnation.
"""

import re
from collections.abc import Sequence
from typing import Annotated, Final, Literal, TypeVar

import orjson
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from broker_bridge.errors import WireError
from broker_bridge.events.base import Name, Time
from broker_bridge.events.union import explain

MAX_PAYLOAD: Final = 8 * 2**20
"""Largest payload in bytes that is sent or accepted."""

MAX_RANGES: Final = 100
"""Missing ranges one receipt names; the others follow once these are filled."""
MAX_EPOCHS: Final = 20
"""Epochs one receipt tells of, the youngest first: an outbox is not begun anew every day."""

_TOKEN: Final = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*"|[\[\]{}]')
_OPENING: Final = (b"[", b"{")
_CLOSING: Final = (b"]", b"}")

Parsed = TypeVar("Parsed")

Number = Annotated[int, Field(ge=0, lt=2**63)]
Range = tuple[Number, Number]
"""First and last sequence number, both included."""


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class EpochReceipt(_Message):
    """What a record holds of one epoch of a source."""

    epoch: Number
    contiguous: Number
    """Every event from 1 to here is committed."""
    missing: tuple[Range, ...] = ()
    """Ranges above `contiguous` and up to the last number heard of that are not committed."""
    reached: Number | None = None
    """Highest number that is committed; what is missing above it may still be on its way. Absent: not told."""
    closed: bool = False
    """A younger epoch is known and this one will not be asked for again."""


class Receipt(_Message):
    """Published by a recorder after its commit, retained, on the source's receipt topic."""

    record: Name
    incarnation: Number
    """Grows whenever the record was restored or made anew."""
    source: str
    epochs: tuple[EpochReceipt, ...]
    issued: Time
    fenced: Number | None = None
    """Epochs below this one belong to an edge that should no longer speak for the source."""


class SourceState(_Message):
    """Published by an edge, retained, every ten seconds and on change: so that even the tail is known."""

    source: str
    epoch: Number
    last: Number
    """Last sequence number given."""
    oldest: Number
    """Oldest sequence number still held; `last` + 1 when none is."""
    condition: str
    detail: str = ""
    backlog: Number = 0
    """Events held and not receipted."""
    backlog_bytes: Number = 0
    ceiling_bytes: Number = 0
    counters: dict[str, int] = {}
    alarms: tuple[str, ...] = ()
    edge: str = ""
    issued: Time


class EdgeState(_Message):
    """Published by an edge, retained; its last will says that it is gone without a word."""

    edge: Name
    alive: bool
    condition: str = ""
    alarms: tuple[str, ...] = ()
    issued: Time


class RecordState(_Message):
    """Published by a recorder, retained."""

    record: Name
    incarnation: Number
    events: Number
    commit: Number
    condition: Literal["recording", "waiting", "gone"]
    detail: str = ""
    alarms: tuple[str, ...] = ()
    issued: Time


_RECEIPT: Final = TypeAdapter(Receipt)
_SOURCE_STATE: Final = TypeAdapter(SourceState)
_RECORD_STATE: Final = TypeAdapter(RecordState)
_EDGE_STATE: Final = TypeAdapter(EdgeState)


def parse_receipt(raw: bytes) -> Receipt:
    """Raises WireError."""
    return _parse(_RECEIPT, raw)


def parse_source_state(raw: bytes) -> SourceState:
    """Raises WireError."""
    return _parse(_SOURCE_STATE, raw)


def parse_record_state(raw: bytes) -> RecordState:
    """Raises WireError."""
    return _parse(_RECORD_STATE, raw)


def parse_edge_state(raw: bytes) -> EdgeState:
    """Raises WireError."""
    return _parse(_EDGE_STATE, raw)


def dump(message: Receipt | SourceState | EdgeState | RecordState) -> bytes:
    """The JSON bytes of a receipt or state."""
    return message.__pydantic_serializer__.to_json(message, exclude_none=True)


def join_batch(events: Sequence[bytes]) -> bytes:
    """A CloudEvents JSON batch (application/cloudevents-batch+json) of already dumped events."""
    return b"[\n" + b",\n".join(events) + b"\n]"


def split_batch(raw: bytes) -> list[bytes]:
    """The members of a batch with the very bytes they came in, so that their hashes are the sender's.

    Raises WireError when the payload is no JSON array of objects.
    """
    pieces = cut_batch(raw)
    return pieces if pieces and all(map(_is_object, pieces)) else _scan(raw)


def cut_batch(raw: bytes) -> list[bytes]:
    """The members of a batch in our own spelling, where every one of them turns out to be an object; empty for other spellings.

    A compact member holds no newline: this cut needs no parser.
    """
    return raw[2:-2].split(b",\n") if raw.startswith(b"[\n{") and raw.endswith(b"}\n]") else []


def _is_object(piece: bytes) -> bool:
    try:
        return isinstance(orjson.loads(piece), dict)
    except orjson.JSONDecodeError:
        return False


def _scan(raw: bytes) -> list[bytes]:
    try:
        members = orjson.loads(raw)
    except orjson.JSONDecodeError as error:
        raise WireError(f"batch is not JSON: {error}") from None
    if not isinstance(members, list):
        raise WireError(f"batch is {raw[:80]!r}, not an array of events")
    for number, member in enumerate(members, 1):
        if not isinstance(member, dict):
            shown = "an array" if isinstance(member, list) else repr(member)[:80]
            raise WireError(f"batch member {number} is {shown}, not an event")
    # The text is JSON by now, so the brackets outside of strings say all: no second parser with other limits.
    pieces: list[bytes] = []
    depth = start = 0
    for token in _TOKEN.finditer(raw):
        if token.group() in _OPENING:
            depth += 1
            if depth == 2:
                start = token.start()
        elif token.group() in _CLOSING:
            if depth == 2:
                pieces.append(raw[start : token.end()])
            depth -= 1
    return pieces


def _parse(adapter: TypeAdapter[Parsed], raw: bytes) -> Parsed:
    try:
        return adapter.validate_json(raw)
    except ValidationError as error:
        raise WireError(explain(error)) from None

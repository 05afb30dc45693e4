"""The table of all event types, and the one way from bytes to event and back.

A type's models are made when its first event is met: making all of them takes longer than everything else that a
role does at its start, and most roles meet a few types.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import cache
from typing import Final, Literal

import orjson
from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from pydantic_core import ErrorDetails

from broker_bridge.errors import WireError
from broker_bridge.events import board, inspection, line, material, reading, source, station, work
from broker_bridge.events.base import Data
from broker_bridge.events.envelope import SCHEMA_URI, SCHEMA_VERSION, Event, attribute, padded
from broker_bridge.events.ids import NO_ID, EventId

FAMILIES: Final = (board, work, material, reading, inspection, station, line, source)

DATA_TYPES: Final[dict[str, type[Data]]] = {data.TYPE: data for family in FAMILIES for data in family.TYPES}


def schema_uri(type_name: str) -> str:
    """The `dataschema` of a type at the version this program writes and reads."""
    return SCHEMA_URI.format(type=type_name, version=SCHEMA_VERSION)


def _typed(data: type[Data]) -> type[Event]:
    return create_model(
        data.__name__ + "Event",
        __base__=Event,
        __doc__=data.__doc__,
        type=(Literal[data.TYPE], ...),  # type: ignore[arg-type]
        dataschema=(Literal[schema_uri(data.TYPE)], ...),  # type: ignore[arg-type]
        data=(data, ...),
    )


class _EventTypes(Mapping[str, type[Event]]):
    """The events' models by type, each made when it is asked for."""

    def __init__(self) -> None:
        self._made: dict[str, type[Event]] = {}

    def __getitem__(self, name: str) -> type[Event]:
        made = self._made.get(name)
        if made is None:
            made = self._made.setdefault(name, _typed(DATA_TYPES[name]))  # two threads may ask at once
        return made

    def __iter__(self) -> Iterator[str]:
        return iter(DATA_TYPES)

    def __len__(self) -> int:
        return len(DATA_TYPES)


EVENT_TYPES: Final[Mapping[str, type[Event]]] = _EventTypes()


_TYPE: Final = re.compile(rb'"type":"([a-z_]{1,40}\.[a-z_]{1,40})"')


class _Kind(BaseModel):
    """What says which model an event is read with; by the same JSON parser, so that both see the same text."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    type: str


def parse_event(raw: bytes) -> Event:
    """Read one event as the wire carries it. Fields unknown to this program are ignored (a newer writer).

    Nothing is converted: "1" is no lane, since readers of the record look at the plain bytes. Raises WireError
    naming the first few offending places and values; the caller keeps the raw bytes.
    """
    event = _guessed(raw)
    try:
        if event is None:
            name = _Kind.model_validate_json(raw).type
            if name not in DATA_TYPES:
                raise WireError(f"type: {name[:80]!r} is no event type that this program knows")
            event = _reader(name)(raw, strict=True, extra="ignore")
    except ValidationError as error:
        raise WireError(explain(error)) from None
    if "specversion" not in event.__pydantic_fields_set__:
        raise WireError("specversion: missing, so this is no CloudEvent")
    return event


def type_of(raw: bytes) -> str:
    """The type that an event's bytes most likely state; empty where none is seen. A guess: a model insists on its own type."""
    found = _TYPE.search(raw)
    return found[1].decode("ascii") if found else ""


def _guessed(raw: bytes) -> Event | None:
    """The event, if the first thing that looks like its type is its type.

    Spares the whole text being read twice.
    """
    name = type_of(raw)
    if name not in DATA_TYPES:
        return None
    try:
        return _reader(name)(raw, strict=True, extra="ignore")
    except ValidationError:
        return None


@cache
def _reader(name: str) -> Callable[..., Event]:
    """What reads the bytes of a type's events: `model_validate_json` without its way round."""
    read: Callable[..., Event] = EVENT_TYPES[name].__pydantic_validator__.validate_json
    return read


def dump_event(event: Event) -> bytes:
    """The bytes of an event, without absent fields; equal events give equal bytes."""
    return event.__pydantic_serializer__.to_json(event, exclude_none=True)


def encode_event(
    *,
    event_id: EventId,
    source: str,
    data: Data,
    time: datetime,
    subject: str | None,
    recordedtime: datetime,
    sequence: int,
    epoch: int,
    rawname: str | None,
) -> bytes:
    """The bytes `dump_event` would give for this event, without building and validating its envelope.

    `data` is a valid model already; for the edge the envelope is most of the cost of an event.
    """
    envelope = {
        "specversion": "1.0",
        "id": str(event_id),
        "source": source,
        "type": data.TYPE,
        "subject": attribute(subject) if subject else None,
        "time": _instant(time),
        "datacontenttype": "application/json",
        "dataschema": schema_uri(data.TYPE),
        "recordedtime": _instant(recordedtime),
        "sequence": padded(sequence),
        "epoch": padded(epoch),
        "rawname": attribute(rawname) if rawname else None,
    }
    head = orjson.dumps({name: value for name, value in envelope.items() if value is not None})
    body = data.__pydantic_serializer__.to_json(data, exclude_none=True)
    return b'%b,"data":%b}' % (head[:-1], body)


def _instant(time: datetime) -> str:
    if time.tzinfo is None:
        raise ValueError(f"{time} has no time zone")
    return time.astimezone(UTC).isoformat().removesuffix("+00:00") + "Z"


def explain(error: ValidationError) -> str:
    """The first three findings of a validation, each with its place and value, in one line."""
    findings = error.errors(include_url=False, include_context=False)
    told = [
        f"{'.'.join(str(step) for step in finding['loc']) or 'event'}: {_said(finding)}"
        f" (found {_short(finding['input'])})"
        for finding in findings[:3]
    ]
    more = f"; {len(findings) - 3} more" if len(findings) > 3 else ""
    return "; ".join(told) + more


def _said(finding: ErrorDetails) -> str:
    if finding["loc"] == ("id",) and finding["type"] == "string_pattern_mismatch":
        return NO_ID
    return finding["msg"]


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."

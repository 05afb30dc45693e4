"""The table of all event types, and the one way from bytes to event and back.

One TypeAdapter, built once and discriminated on `type`: building one costs as much as decoding many events, and a
union without discriminator tries every member.
"""

from datetime import UTC, datetime
from functools import reduce
from operator import or_
from typing import Annotated, Any, Final, Literal

import orjson
from pydantic import Field, TypeAdapter, ValidationError, create_model

from broker_bridge.errors import WireError
from broker_bridge.events import board, inspection, line, material, reading, source, station, work
from broker_bridge.events.base import Data
from broker_bridge.events.envelope import SCHEMA_URI, SCHEMA_VERSION, Event, attribute, padded
from broker_bridge.events.ids import EventId

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


EVENT_TYPES: Final[dict[str, type[Event]]] = {name: _typed(data) for name, data in DATA_TYPES.items()}

_union: Any = reduce(or_, EVENT_TYPES.values())
_ADAPTER: Final[TypeAdapter[Event]] = TypeAdapter(Annotated[_union, Field(discriminator="type")])


def parse_event(raw: bytes) -> Event:
    """Read one event as the wire carries it. Fields unknown to this program are ignored (a newer writer).

    Nothing is converted: "1" is no lane, since readers of the record look at the plain bytes. Raises WireError
    naming the first few offending places and values; the caller keeps the raw bytes.
    """
    try:
        event = _ADAPTER.validate_json(raw, strict=True, extra="ignore")
    except ValidationError as error:
        raise WireError(explain(error)) from None
    if "specversion" not in event.model_fields_set:
        raise WireError("specversion: missing, so this is no CloudEvent")
    return event


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
        f"{'.'.join(str(step) for step in finding['loc']) or 'event'}: {finding['msg']}"
        f" (found {_short(finding['input'])})"
        for finding in findings[:3]
    ]
    more = f"; {len(findings) - 3} more" if len(findings) > 3 else ""
    return "; ".join(told) + more


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."

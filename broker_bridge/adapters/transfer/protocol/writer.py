"""Values to message bytes, strictly: nothing leaves that the field table does not allow."""

from datetime import datetime
from typing import Any

from broker_bridge.adapters.transfer.protocol.codes import MAX_MESSAGE_SIZE
from broker_bridge.adapters.transfer.protocol.fields import (
    Field,
    Group,
    Guid,
    Items,
    Names,
    Nested,
    Scalar,
)
from broker_bridge.adapters.transfer.protocol.markup import Element, render
from broker_bridge.adapters.transfer.protocol.messages import Message
from broker_bridge.adapters.transfer.protocol.table import MESSAGES
from broker_bridge.errors import LocalProtocolError


def write_message(message: Message, at: datetime, verbatim: frozenset[str] = frozenset()) -> bytes:
    """Return the message as bytes, with a line end behind it.

    `at` is written as it reads on the sender's wall clock, to the millisecond: the wire has no zone,
    so an aware time loses its own. `verbatim`: ids the peer made, which are repeated even if they are
    no proper GUIDs. Numbers are rounded to three decimals.

    Raises LocalProtocolError for a value the standard forbids, or a message over the size limit.
    """
    row = MESSAGES.get(type(message).__name__)
    if row is None or row.type is not type(message):
        raise LocalProtocolError(f"{message!r} is no message of the standard")
    timestamp = at.replace(tzinfo=None).isoformat(timespec="milliseconds")
    body = Element(row.name)
    _fill(body, message, row.fields, row.name, verbatim)
    raw = render(Element("Hermes", {"Timestamp": timestamp}, [body]))
    if len(raw) > MAX_MESSAGE_SIZE:
        raise LocalProtocolError(f"{row.name} takes {len(raw)} bytes, more than {MAX_MESSAGE_SIZE}", raw)
    return raw + b"\n"


def _fill(
    element: Element, value: Any, rows: tuple[Field, ...], place: str, verbatim: frozenset[str]
) -> None:
    for row in rows:
        part = getattr(value, row.name)
        here = f"{place}/{row.spelling}"
        if part is None:
            if row.required:
                raise LocalProtocolError(f"{here} is required and None")
        elif not isinstance(row.kind, Nested):
            element.attributes[row.spelling] = _text(row.kind, part, here, verbatim)
        elif child := _child(row, part, here, verbatim):
            element.children.append(child)


def _text(kind: Scalar, value: object, place: str, verbatim: frozenset[str]) -> str:
    if isinstance(kind, Guid) and isinstance(value, str) and value in verbatim:
        return value
    try:
        return kind.write(value)
    except ValueError as error:
        raise LocalProtocolError(f"{place}: {value!r} {error}") from None


def _child(row: Field, value: Any, place: str, verbatim: frozenset[str]) -> Element | None:
    child = Element(row.spelling)
    match row.kind:
        case Names(since):
            if strange := sorted(str(name) for name in value if name not in since):
                raise LocalProtocolError(f"{place} has no {', '.join(strange)}")
            child.children = [Element(str(name)) for name in since if name in value]
        case Items(tag, cls, rows, always):
            for number, item in enumerate(value, start=1):
                inside = Element(tag)
                _of_type(cls, item, f"{place}/{tag}[{number}]")
                _fill(inside, item, rows, f"{place}/{tag}[{number}]", verbatim)
                child.children.append(inside)
            if not child.children and not always:
                return None
        case Group(cls, rows):
            _of_type(cls, value, place)
            _fill(child, value, rows, place, verbatim)
    return child


def _of_type(cls: type[Any], value: object, place: str) -> None:
    if not isinstance(value, cls):
        raise LocalProtocolError(f"{place}: {value!r} is no {cls.__name__}")

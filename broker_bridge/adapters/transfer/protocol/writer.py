"""Values to message bytes, strictly: nothing leaves that the field table does not allow."""

from datetime import datetime
from typing import Any

from broker_bridge.adapters.transfer.protocol.codes import MAX_MESSAGE_SIZE
from broker_bridge.adapters.transfer.protocol.fields import (
    Field,
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
        elif child := _child(row.spelling, row.kind, part, here, verbatim):
            element.children.append(child)


def _text(kind: Scalar, value: object, place: str, verbatim: frozenset[str]) -> str:
    if isinstance(kind, Guid) and isinstance(value, str) and value in verbatim:
        return value
    try:
        return kind.write(value)
    except ValueError as error:
        raise LocalProtocolError(f"{place}: {value!r} {error}") from None


def _child(spelling: str, kind: Nested, value: Any, place: str, verbatim: frozenset[str]) -> Element | None:
    child = Element(spelling)
    if isinstance(kind, Names):
        if strange := sorted(str(name) for name in value if name not in kind.since):
            raise LocalProtocolError(f"{place} has no {', '.join(strange)}")
        child.children = [Element(str(name)) for name in kind.since if name in value]
    elif isinstance(kind, Items):
        for number, item in enumerate(value, start=1):
            inside = Element(kind.tag)
            _of_type(kind.type, item, f"{place}/{kind.tag}[{number}]")
            _fill(inside, item, kind.rows, f"{place}/{kind.tag}[{number}]", verbatim)
            child.children.append(inside)
        if not child.children and not kind.always:
            return None
    else:
        _of_type(kind.type, value, place)
        _fill(child, value, kind.rows, place, verbatim)
    return child


def _of_type(cls: type[Any], value: object, place: str) -> None:
    if not isinstance(value, cls):
        raise LocalProtocolError(f"{place}: {value!r} is no {cls.__name__}")

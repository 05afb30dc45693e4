"""Message bytes to values, leniently: what is odd is flagged, what is unknown is passed by.

Only four things are errors, those the standard answers with a protocol error: bytes that are no XML,
no message inside, a required attribute or element missing, a required number nobody can read.
"""

import re
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from broker_bridge.adapters.transfer.protocol.fields import (
    Field,
    Group,
    Items,
    Names,
    Nested,
    Version,
)
from broker_bridge.adapters.transfer.protocol.flags import Flag, FlagKind
from broker_bridge.adapters.transfer.protocol.framing import Framer, Pending
from broker_bridge.adapters.transfer.protocol.markup import Element, parse
from broker_bridge.adapters.transfer.protocol.messages import Message
from broker_bridge.adapters.transfer.protocol.table import MESSAGES
from broker_bridge.errors import RemoteProtocolError

_TIMESTAMP = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}")


@dataclass(frozen=True, slots=True)
class UnknownMessage:
    """A message that is not of the standard, or not of this channel. To be ignored, and kept raw."""

    name: str


@dataclass(frozen=True, slots=True)
class Received:
    """One message with its envelope.

    `timestamp` is the sender's text: its local time without a zone, not to be trusted for order.
    `raw` is the message exactly as it came, without what stood around it.
    """

    message: Message | UnknownMessage
    timestamp: str
    raw: bytes
    flags: tuple[Flag, ...] = ()


class MessageReader:
    """Bytes in, messages out, of either channel and from either side; knows nothing of states.

    For whoever reads along: a connection judges as well. `rest` and `junk` are the framer's.
    """

    def __init__(self) -> None:
        self._framer = Framer()

    @property
    def rest(self) -> bytes:
        """Bytes taken in and not handed out yet."""
        return self._framer.rest

    @property
    def junk(self) -> int:
        """Bytes dropped so far that belonged to no message, blanks not counted."""
        return self._framer.junk

    def receive_data(self, data: bytes) -> None:
        """Buffer `data`; b"" says that the peer closed the connection. Raises as `Framer` does."""
        self._framer.receive_data(data)

    def next_message(self) -> Received | Pending:
        """Return the next message, NEED_DATA, or CLOSED.

        Raises RemoteProtocolError with the raw bytes of what cannot be read; the next call goes on
        behind them. Any other exception is a bug.
        """
        frame = self._framer.next_frame()
        if isinstance(frame, Pending):
            return frame
        return read_message(frame.raw, frame.junk)


def read_message(raw: bytes, junk: bytes = b"") -> Received:
    """Return the message in `raw`, `<Hermes` to `</Hermes>`. `junk`: what stood before it, to be flagged.

    Raises RemoteProtocolError as the module says.
    """
    root = parse(raw)
    if root.name != "Hermes" or not root.children:
        raise RemoteProtocolError(f"<{root.name}> is no Hermes element with a message in it", raw)
    reading = _Reading(raw)
    if junk:
        reading.flag(FlagKind.JUNK, "Hermes", junk.decode("utf-8", "backslashreplace"))
    timestamp = root.attributes.get("Timestamp", "")
    if not _is_timestamp(timestamp):
        reading.flag(FlagKind.TIMESTAMP, "Hermes/Timestamp", timestamp)
    body, *extra = root.children
    reading.strangers(root, "Hermes", {"Timestamp"}, {child.name for child in root.children})
    for child in extra:
        reading.flag(FlagKind.EXTRA_MESSAGE, "Hermes", child.name)
    row = MESSAGES.get(body.name)
    if row is None:
        reading.flag(FlagKind.UNKNOWN_MESSAGE, "Hermes", body.name)
        return Received(UnknownMessage(body.name), timestamp, raw, tuple(reading.flags))
    message: Message = reading.value(row.type, row.fields, row.since, body, row.name)
    return Received(message, timestamp, raw, tuple(reading.flags))


def _is_timestamp(text: str) -> bool:
    if not _TIMESTAMP.fullmatch(text):
        return False
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


class _Reading:
    """The reading of one message: what to put into an error, and the flags so far."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw
        self.flags: list[Flag] = []

    def flag(self, kind: FlagKind, place: str, value: str = "") -> None:
        self.flags.append(Flag(kind, place, value))

    def strangers(
        self,
        element: Element,
        place: str,
        attributes: Collection[str] = (),
        children: Collection[str] = (),
    ) -> None:
        """Flag what is in the element besides the known attributes and children."""
        for name, text in element.attributes.items():
            if name not in attributes:
                self.flag(FlagKind.UNKNOWN_ATTRIBUTE, f"{place}/{name}", text)
        for child in element.children:
            if child.name not in children:
                self.flag(FlagKind.UNKNOWN_ELEMENT, place, child.name)
        if element.text:
            self.flag(FlagKind.TEXT, place, element.text)

    def value(
        self, cls: type[Any], rows: tuple[Field, ...], since: Version, element: Element, place: str
    ) -> Any:
        """Make the value of an element from its rows. `since`: the version that brought the element."""
        scalars = {row.spelling: row for row in rows if not isinstance(row.kind, Nested)}
        elements = {row.spelling: row for row in rows if row.spelling not in scalars}
        self.strangers(element, place, scalars, elements)
        values: dict[str, Any] = {}
        for spelling, text in element.attributes.items():
            if spelling in scalars:
                self._scalar(scalars[spelling], text, f"{place}/{spelling}", values)
        for child in element.children:
            if child.name in elements:
                self._element(elements[child.name], child, f"{place}/{child.name}", values)
        for row in rows:
            if row.required and row.name not in values:
                # The only such row is SupportedFeatures, which a peer of version 1.0 may lack.
                if row.since <= since:
                    raise RemoteProtocolError(f"{place}: {row.spelling} is required and missing", self._raw)
                self.flag(FlagKind.MISSING, f"{place}/{row.spelling}")
                values[row.name] = frozenset()
        return cls(**values)

    def _scalar(self, row: Field, text: str, place: str, values: dict[str, Any]) -> None:
        assert not isinstance(row.kind, Nested)
        try:
            values[row.name], odd = row.kind.read(text)
        except ValueError as error:
            if row.required:
                raise RemoteProtocolError(f"{place}: {text[:60]!r} {error}", self._raw) from None
            odd = FlagKind.NOT_A_NUMBER
        if odd is None and row.required and text == "":
            odd = FlagKind.EMPTY
        if odd:
            self.flag(odd, place, text)

    def _element(self, row: Field, element: Element, place: str, values: dict[str, Any]) -> None:
        if row.name in values:
            self.flag(FlagKind.REPEATED_ELEMENT, place)
            return
        kind = row.kind
        if isinstance(kind, Names):
            values[row.name] = self._names({str(name): name for name in kind.since}, element, place)
        elif isinstance(kind, Items):
            self.strangers(element, place, children={kind.tag})
            found = [child for child in element.children if child.name == kind.tag]
            values[row.name] = tuple(
                self.value(kind.type, kind.rows, row.since, child, f"{place}/{kind.tag}[{number}]")
                for number, child in enumerate(found, start=1)
            )
        else:
            assert isinstance(kind, Group)
            values[row.name] = self.value(kind.type, kind.rows, row.since, element, place)

    def _names(self, known: dict[str, StrEnum], element: Element, place: str) -> frozenset[StrEnum]:
        self.strangers(element, place, children=known)
        for child in element.children:
            self.strangers(child, f"{place}/{child.name}")
        return frozenset(known[child.name] for child in element.children if child.name in known)

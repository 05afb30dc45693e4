"""JSON text to envelopes.

A body is one envelope, or a list of them (a batch). Every envelope keeps the bytes it stood in, so that it can be
proven, kept and read again by itself; what is no envelope becomes `Broken` with its bytes, and takes nothing down that
stands beside it.
"""

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple

from broker_bridge.adapters.cfx.protocol import scalars
from broker_bridge.adapters.cfx.protocol.packing import unpack
from broker_bridge.errors import MappingError

_WHITE: Final = re.compile(r"[ \t\r\n]*")
_STRUCTURE: Final = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}]', re.DOTALL)
_DIGITS: Final = 64
_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*(?:\.[A-Za-z][A-Za-z0-9_]*)*", re.ASCII)


class Limits(NamedTuple):
    """Beyond these a message is refused unread."""

    size: int = 16 * 2**20
    """Bytes of one body, unpacked."""
    depth: int = 64
    """Objects and lists inside each other."""
    envelopes: int = 10_000
    """Envelopes of one batch."""


USUAL: Final = Limits()


@dataclass(frozen=True, slots=True)
class Envelope:
    """One message. Texts are as they were sent, without blanks around them; None where absent, null or empty."""

    name: str
    """MessageName."""
    body: dict[str, Any]
    raw: bytes
    """The envelope's own bytes (UTF-8 JSON, unpacked)."""
    unique_id: str | None = None
    version: str | None = None
    """Version of the standard the sender's library claims, which is often wrong: nothing may depend on it."""
    time_text: str | None = None
    time: datetime | None = None
    """Naive where the text states no zone; None where it is no time."""
    source: str | None = None
    """Handle of who says it."""
    target: str | None = None
    request_id: str | None = None
    flags: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """What names this message for good: its UniqueID, else a hash of its bytes. Fit for an event's id."""
        if self.unique_id is not None:
            try:
                found = scalars.guid(self.unique_id)
            except ValueError:
                found = "u-" + hashlib.sha256(self.unique_id.encode()).hexdigest()[:40]
            if found is not None:
                return found
        return "h-" + hashlib.sha256(self.raw).hexdigest()[:40]


@dataclass(frozen=True, slots=True)
class Broken:
    """Bytes that are no envelope, and why."""

    raw: bytes
    reason: str
    code: str
    place: str = ""
    encoding: str | None = None
    """content-encoding as stated, where `raw` is still packed."""

    @property
    def key(self) -> str:
        """A hash of the bytes. Fit for an event's id."""
        return "b-" + hashlib.sha256(self.raw).hexdigest()[:40]


def read(body: bytes, encoding: str | None = None, limits: Limits = USUAL) -> list[Envelope | Broken]:
    """The envelopes in the body of one AMQP message, in order. Never raises for what a sender may send."""
    try:
        unpacked = unpack(body, encoding, limits.size)
    except MappingError as error:
        code = "oversize" if "larger" in str(error) else "encoding"
        reason = f"the message {error}" if code == "oversize" else str(error)
        return [Broken(body, reason, code, error.place, encoding)]
    try:
        text = unpacked.data.decode("utf-8")
    except UnicodeDecodeError as error:
        return [
            Broken(unpacked.data, f"is no UTF-8 text (byte {error.start})", "encoding", f"byte {error.start}")
        ]
    if depth_place := _too_deep(text, limits.depth):
        return [
            Broken(
                unpacked.data,
                f"holds more than {limits.depth} objects and lists inside each other",
                "oversize",
                depth_place,
            )
        ]
    return list(_envelopes(text, unpacked.flags, limits))


def _envelopes(text: str, flags: tuple[str, ...], limits: Limits) -> Iterator[Envelope | Broken]:
    start = _skip(text, 0)
    if text[start : start + 1] != "[":
        yield _one(text, start, flags, whole=True)[0]
        return
    place = _skip(text, start + 1)
    count = 0
    if text[place : place + 1] == "]" and not text[place + 1 :].strip():
        return  # a batch of none
    while True:
        if count >= limits.envelopes:
            yield Broken(
                _bytes(text[place:]), f"holds more than {limits.envelopes:,} messages in one", "oversize"
            )
            return
        found, end = _one(text, place, flags, whole=False)
        yield found
        count += 1
        if end is None:
            return
        place = _skip(text, end)
        if text[place : place + 1] == ",":
            place = _skip(text, place + 1)
            continue
        rest = text[place:]
        if not rest.startswith("]") or rest[1:].strip():
            yield Broken(
                _bytes(rest), f"the list of messages is cut off or goes on wrongly at {_where(text, place)}", "json",
                _where(text, place),
            )  # fmt: skip
        return


def _one(
    text: str, start: int, flags: tuple[str, ...], *, whole: bool
) -> tuple[Envelope | Broken, int | None]:
    """The envelope at a place and where it ends; without an end what follows cannot be told apart any more."""
    try:
        value, end = _DECODER.raw_decode(text, start)
    except json.JSONDecodeError as error:
        where = _where(text, error.pos)
        return Broken(_bytes(text[start:]), f"is no JSON: {error.msg} at {where}", "json", where), None
    except (_Refused, RecursionError) as error:
        return Broken(_bytes(text[start:]), f"is no JSON that can be read: {error}", "json"), None
    if whole and text[end:].strip():
        where = _where(text, _skip(text, end))
        return Broken(
            _bytes(text), f"is no JSON: something follows the message at {where}", "json", where
        ), None
    raw = _bytes(text[start:end])
    try:
        return _envelope(value, raw, flags), end
    except MappingError as error:
        return Broken(raw, str(error), "envelope", error.place), end


def _envelope(value: Any, raw: bytes, flags: tuple[str, ...]) -> Envelope:
    if not isinstance(value, dict):
        raise MappingError(f"is a {type(value).__name__}, not an envelope")
    fields = {name.casefold(): one for name, one in value.items()}
    body = fields.get("messagebody")
    found = list(flags)
    if body is None:
        if "messagebody" not in fields and "messagename" not in fields:
            raise MappingError("has neither MessageName nor MessageBody: it is no envelope", "MessageName")
        body = {}  # what says nothing besides its name
    if not isinstance(body, dict):
        raise MappingError(f"MessageBody is a {type(body).__name__}, not an object", "MessageBody")
    name = _text(fields, "MessageName")
    if name is None:
        stated = body.get("$type")
        name = stated.partition(",")[0].strip() if isinstance(stated, str) else None
        if not name:
            raise MappingError(
                "MessageName is missing, and MessageBody states no $type either", "MessageName"
            )
        found.append("name_from_type")
    if len(name) > 200 or not _NAME.fullmatch(name):
        raise MappingError(f"MessageName = {name[:80]!r} is no name of a message", "MessageName")
    time_text = _text(fields, "TimeStamp")
    time = None
    if time_text is not None:
        try:
            time = scalars.moment(time_text)
        except ValueError:
            found.append("time_unreadable")
    return Envelope(
        name=name,
        body=body,
        raw=raw,
        unique_id=_text(fields, "UniqueID"),
        version=_text(fields, "Version"),
        time_text=time_text,
        time=time,
        source=_text(fields, "Source"),
        target=_text(fields, "Target"),
        request_id=_text(fields, "RequestID"),
        flags=tuple(found),
    )


def _text(fields: dict[str, Any], name: str) -> str | None:
    value = fields.get(name.casefold())
    if value is None:
        return None
    if not isinstance(value, str):
        raise MappingError(f"{name} = {str(value)[:80]!r} is no text", name)
    return value.replace("\x00", "").strip()[:512] or None


class _Refused(ValueError):
    """JSON of a kind that is not read."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise _Refused(f"the field {twice[:80]!r} stands twice in one object")
    if len({name.casefold() for name in found}) != len(found):
        seen: dict[str, Any] = {}
        for name, value in pairs:
            if seen.setdefault(name.casefold(), value) != value:
                raise _Refused(f"the field {name[:80]!r} stands there in two spellings with two values")
    return found


def _whole(text: str) -> int:
    if len(text) > _DIGITS:
        raise _Refused(f"a number of {len(text)} digits")
    return int(text)


def _constant(text: str) -> float:
    return float(text)  # some writers put NaN where JSON has no number; a reader of the field tells it apart


_DECODER: Final = json.JSONDecoder(object_pairs_hook=_pairs, parse_int=_whole, parse_constant=_constant)


def _too_deep(text: str, most: int) -> str | None:
    depth = 0
    for match in _STRUCTURE.finditer(text):
        sign = text[match.start()]
        if sign in "[{":
            depth += 1
            if depth > most:
                return _where(text, match.start())
        elif sign in "]}":
            depth -= 1
    return None


def _skip(text: str, place: int) -> int:
    match = _WHITE.match(text, place)
    return match.end() if match else place


def _where(text: str, place: int) -> str:
    line = text.count("\n", 0, place) + 1
    return f"line {line}, column {place - (text.rfind(chr(10), 0, place) + 1) + 1}"


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")

"""How a value stands in a message: its kind, and the row of the field table that says so.

A message is a frozen dataclass whose attributes are annotated with `Wire`: the standard's spelling,
the kind and the version that brought it. `fields_of` turns the annotations into rows; reader, writer
and tests work from the rows alone. Scalar kinds stand in XML attributes, the others in child elements.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from enum import IntEnum, StrEnum
from inspect import get_annotations
from typing import Any, Final, Protocol, get_type_hints

from broker_bridge.adapters.transfer.protocol.flags import FlagKind

Version = tuple[int, int]

VERSION_FORM: Final = re.compile(r"[1-9][0-9]{0,2}\.[0-9]{1,3}")
_INTEGER = re.compile(r"\s*[+-]?[0-9]{1,18}\s*")
_NUMBER = re.compile(r"\s*[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?\s*")
_GUID = re.compile(r"[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_NIL_GUID = "00000000-0000-0000-0000-000000000000"
# XML 1.0 production 2: what a document may hold at all, even escaped.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def version_of(text: str) -> Version | None:
    """Return "1.6" as (1, 6), or None for a text that is no version of the standard."""
    if not VERSION_FORM.fullmatch(text):
        return None
    major, minor = text.split(".")
    return int(major), int(minor)


class Scalar(Protocol):
    """A kind that stands in one XML attribute."""

    def read(self, text: str) -> tuple[object, FlagKind | None]:
        """Return the value and what is odd about it. Raises ValueError if no value can be made."""

    def write(self, value: object) -> str:
        """Return the text. Raises ValueError, worded to follow the value, if the standard forbids it."""


@dataclass(frozen=True, slots=True)
class Text:
    """Free text. `form` names a pattern every value must match."""

    form: re.Pattern[str] | None = None

    def read(self, text: str) -> tuple[str, FlagKind | None]:
        return text, FlagKind.FORM if self.form and not self.form.fullmatch(text) else None

    def write(self, value: object) -> str:
        if not isinstance(value, str):
            raise ValueError("is not text")
        if self.form and not self.form.fullmatch(value):
            raise ValueError(f"does not match {self.form.pattern}")
        if bad := _NOT_XML.search(value):
            raise ValueError(f"holds {bad[0]!r}, which XML 1.0 cannot carry")
        return value


@dataclass(frozen=True, slots=True)
class Guid:
    """A board's id. The text is kept as it came: peers compare ids as case-sensitive strings."""

    def read(self, text: str) -> tuple[str, FlagKind | None]:
        if not _GUID.fullmatch(text):
            return text, FlagKind.NOT_A_GUID
        if text == _NIL_GUID:
            return text, FlagKind.NIL_GUID
        return text, None if text == text.lower() else FlagKind.UPPER_CASE_GUID

    def write(self, value: object) -> str:
        # Upper case passes: an id made by another machine has to go on unchanged.
        if not isinstance(value, str) or not _GUID.fullmatch(value) or value == _NIL_GUID:
            raise ValueError("is not a GUID of the form 8-4-4-4-12 other than the nil one")
        return value


@dataclass(frozen=True, slots=True)
class Integer:
    """A whole number inside one of `ranges`, both ends included; no ranges means any number."""

    ranges: tuple[tuple[int, int], ...] = ()

    def _allows(self, value: int) -> bool:
        return not self.ranges or any(low <= value <= high for low, high in self.ranges)

    def read(self, text: str) -> tuple[int, FlagKind | None]:
        if not _INTEGER.fullmatch(text):
            raise ValueError("is not a whole number")
        value = int(text)
        return value, None if self._allows(value) else FlagKind.OUT_OF_RANGE

    def write(self, value: object) -> str:
        if not isinstance(value, int) or isinstance(value, bool):
            raise ValueError("is not a whole number")
        if not self._allows(value):
            raise ValueError(f"is outside {self.ranges}")
        return str(int(value))


@dataclass(frozen=True, slots=True)
class Code:
    """A whole number that means something. One that means nothing is kept as a plain integer."""

    codes: type[IntEnum]

    def read(self, text: str) -> tuple[int, FlagKind | None]:
        value, _ = Integer().read(text)
        try:
            return self.codes(value), None
        except ValueError:
            return value, FlagKind.OUT_OF_RANGE

    def write(self, value: object) -> str:
        known = {int(code) for code in self.codes}
        if not isinstance(value, int) or isinstance(value, bool) or value not in known:
            raise ValueError(f"is none of {sorted(known)} ({self.codes.__name__})")
        return str(int(value))


@dataclass(frozen=True, slots=True)
class Number:
    """A decimal number in `unit`. Written with three decimals at most, as the wire carries no more."""

    unit: str

    def read(self, text: str) -> tuple[float, FlagKind | None]:
        # Python's own float() would also take "nan", "inf" and "1_000".
        if not _NUMBER.fullmatch(text) or not math.isfinite(value := float(text)):
            raise ValueError("is not a decimal number")
        return value, None

    def write(self, value: object) -> str:
        if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
            raise ValueError("is not a finite number")
        text = f"{value:.3f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text


@dataclass(frozen=True, slots=True)
class Names:
    """A child element holding empty elements; each name with the version that brought it."""

    since: Mapping[StrEnum, Version]


@dataclass(frozen=True, slots=True)
class Items:
    """A child element holding any number of `tag` elements, each a value of `type` with these rows.

    `always`: the element is written even when there are no items in it.
    """

    tag: str
    type: type[Any]
    rows: tuple["Field", ...]
    always: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    """A child element that is itself one value of `type` with these rows."""

    type: type[Any]
    rows: tuple["Field", ...]


Nested = Names | Items | Group
Kind = Scalar | Nested


@dataclass(frozen=True, slots=True)
class Wire:
    """The annotation of an attribute: the standard's spelling, the kind, the version that brought it."""

    spelling: str
    kind: Kind
    since: str


@dataclass(frozen=True, slots=True)
class Field:
    """One row of the field table. `name` is the Python attribute, `spelling` the standard's."""

    name: str
    spelling: str
    kind: Kind
    required: bool
    since: Version


FIRST: Final[Version] = (1, 0)


def fields_of(cls: type[Any], since: Version = FIRST, inherited: Version = FIRST) -> tuple[Field, ...]:
    """Return the rows of a message or item class, in order.

    No row is older than the message (`since`); those a class takes over from the common block of
    board attributes are no older than `inherited`.
    """
    own = get_annotations(cls)
    hints = get_type_hints(cls, include_extras=True)
    rows = []
    for field in fields(cls):
        wire: Wire = hints[field.name].__metadata__[0]
        version = version_of(wire.since)
        assert version is not None, wire
        floor = since if field.name in own else max(since, inherited)
        required = field.default is MISSING
        rows.append(Field(field.name, wire.spelling, wire.kind, required, max(version, floor)))
    return tuple(rows)

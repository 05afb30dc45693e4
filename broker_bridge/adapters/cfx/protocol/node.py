"""A JSON object read field by field.

Names are matched in any case of letters, as the standard's own library reads them (one identifier is spelled in two
ways in different messages). Every field that is read is noted, so that what a mapping leaves in the raw bytes can be
listed. Each getter gives None for a field that is absent or null, and raises MappingError with the field's path and
value for one of the wrong type.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from broker_bridge.adapters.cfx.protocol import scalars
from broker_bridge.adapters.cfx.protocol.words import Words
from broker_bridge.errors import MappingError

_LONGEST: Final = 80


_PERSONS: Final = frozenset(
    {
        "operator", "inspector", "tester", "repairoperator", "modifiedby", "requestor", "blocker", "unblocker",
        "trackedby", "updatedby", "acceptedby", "startedby", "technician", "performedby", "personnel", "employee",
        "lastname", "firstname", "fullname", "loginname", "operatoridentifier",
    }
)  # fmt: skip
"""Fields that hold a person, in lower case."""


def is_person(name: str) -> bool:
    """Whether a field holds a person."""
    return name.casefold() in _PERSONS


class Notes:
    """What was met while a message was read: fields that were used, and oddities."""

    def __init__(self) -> None:
        self.read: set[str] = set()
        """Paths without numbers: InspectedUnits[].Inspections[].Result."""
        self.flags: dict[str, None] = {}

    def flag(self, name: str) -> None:
        """Note an oddity once."""
        self.flags[name] = None


class Node:
    """One object. `path` is where it stands in the message, for errors; `trail` the same without numbers."""

    __slots__ = ("_fields", "_lower", "_notes", "path", "trail")

    def __init__(self, fields: Mapping[str, Any], notes: Notes, path: str = "", trail: str = "") -> None:
        self._fields = fields
        self._notes = notes
        self._lower: dict[str, str] | None = None
        self.path = path
        self.trail = trail

    @property
    def notes(self) -> Notes:
        """Where this message's notes are kept."""
        return self._notes

    def names(self) -> Iterator[str]:
        """The fields there are, as they are spelled."""
        return iter(self._fields)

    def get(self, name: str) -> Any:
        """A field as JSON gave it, None where it is absent."""
        value = self._fields.get(name)
        if value is None and name not in self._fields:
            spelled = self._spelled(name)
            if spelled is None:
                return None
            value = self._fields[spelled]
            name = spelled
        self._notes.read.add(f"{self.trail}{name}")
        return value

    def has(self, name: str) -> bool:
        """Whether a field is there and not null; it is not noted as read."""
        spelled = name if name in self._fields else self._spelled(name)
        return spelled is not None and self._fields[spelled] is not None

    def text(self, name: str) -> str | None:
        """A text that says something; blanks around it are taken off. Numbers are texts as they are spelled."""
        value = self.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise self.wrong(name, value, "is no text")
        found = str(value).strip()
        if len(found) > 512:
            self._notes.flag("text_cut")
            found = found[:512].rstrip()
        return found.replace("\x00", "") or None

    def long_text(self, name: str) -> str | None:
        """A remark, which may be long; cut to 8,192 characters."""
        value = self.get(name)
        if value is None:
            return None
        if not isinstance(value, str):
            raise self.wrong(name, value, "is no text")
        if len(value) > 8192:
            self._notes.flag("text_cut")
        return value.replace("\x00", "").strip()[:8192] or None

    def number(self, name: str) -> float | None:
        """A finite number."""
        value = self.get(name)
        if value is None:
            return None
        try:
            found = scalars.number(value)
        except ValueError as error:
            raise self.wrong(name, value, str(error)) from None
        if found is None:
            self._notes.flag("not_a_number")
        return found

    def whole(self, name: str) -> int | None:
        """A whole number."""
        value = self.get(name)
        if value is None:
            return None
        try:
            return scalars.whole(value)
        except ValueError as error:
            raise self.wrong(name, value, str(error)) from None

    def truth(self, name: str) -> bool | None:
        """True or false."""
        value = self.get(name)
        if value is None or isinstance(value, bool):
            return value
        raise self.wrong(name, value, "is neither true nor false")

    def guid(self, name: str) -> str | None:
        """A GUID in lower case, None for the nil one; another text as it is, flagged."""
        value = self.text(name)
        if value is None:
            return None
        try:
            return scalars.guid(value)
        except ValueError:
            self._notes.flag("identifier_no_guid")
            return value

    def moment(self, name: str) -> datetime | None:
        """A time, naive where it states no zone."""
        value = self.get(name)
        if value is None or value == "":
            return None
        if not isinstance(value, str):
            raise self.wrong(name, value, "is no time")
        try:
            return scalars.moment(value)
        except ValueError as error:
            raise self.wrong(name, value, str(error)) from None

    def span(self, name: str) -> timedelta | None:
        """A time span."""
        value = self.get(name)
        if value is None or value == "":
            return None
        if not isinstance(value, str):
            raise self.wrong(name, value, "is no time span")
        try:
            return scalars.span(value)
        except ValueError as error:
            raise self.wrong(name, value, str(error)) from None

    def word(self, name: str, words: Words) -> str | None:
        """A word of an enumeration in the standard's spelling; one that it does not have as it is written, flagged."""
        value = self.get(name)
        if value is None or value == "":
            return None
        if isinstance(value, bool) or not isinstance(value, str | int):
            raise self.wrong(name, value, "is no word of an enumeration")
        found, known = words.find(value)
        if not known:
            self._notes.flag("unknown_word")
        return found

    def node(self, name: str) -> "Node | None":
        """An object inside this one."""
        value = self.get(name)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.wrong(name, value, "is no object")
        return Node(value, self._notes, f"{self.path}{name}.", f"{self.trail}{self.spelling(name)}.")

    def nodes(self, name: str) -> "list[Node]":
        """The objects of a list; one object stands for a list of one."""
        value = self.get(name)
        if value is None:
            return []
        if isinstance(value, dict):
            value = [value]
        if not isinstance(value, list):
            raise self.wrong(name, value, "is no list")
        found = []
        trail = f"{self.trail}{self.spelling(name)}[]."
        for place, one in enumerate(value):
            if one is None:
                continue
            if not isinstance(one, dict):
                raise self.wrong(f"{name}[{place}]", one, "is no object")
            found.append(Node(one, self._notes, f"{self.path}{name}[{place}].", trail))
        return found

    def texts(self, name: str) -> list[str]:
        """The texts of a list; a single one stands for a list of one."""
        value = self.get(name)
        if value is None:
            return []
        if not isinstance(value, list):
            value = [value]
        found = []
        for place, one in enumerate(value):
            if isinstance(one, bool) or not isinstance(one, str | int | float):
                raise self.wrong(f"{name}[{place}]", one, "is no text")
            if text := str(one).strip()[:512]:
                found.append(text)
        return found

    @property
    def kind(self) -> str | None:
        """The type an object states (`$type`), without its library: PCBInspection.OffsetMeasurement."""
        value = self.get("$type")
        if not isinstance(value, str):
            return None
        return value.partition(",")[0].strip().removeprefix("CFX.").removeprefix("Structures.")

    def spelling(self, name: str) -> str:
        """How a field is spelled here."""
        return name if name in self._fields else self._spelled(name) or name

    def wrong(self, name: str, value: Any, why: str) -> MappingError:
        """The error for a field."""
        shown = repr(value)
        if any(is_person(step) for step in re.split(r"[.\[\]]+", f"{self.path}{name}")):
            shown = "(a person, not shown)"
        if len(shown) > _LONGEST:
            shown = shown[: _LONGEST - 3] + "..."
        return MappingError(f"{self.path}{name} = {shown} {why}", f"{self.path}{name}")

    def _spelled(self, name: str) -> str | None:
        if self._lower is None:
            self._lower = {}
            for field in self._fields:
                self._lower.setdefault(field.casefold(), field)
        return self._lower.get(name.casefold())


def leaves(value: Any, trail: str = "") -> Iterator[str]:
    """The paths of all fields that hold something, without numbers, in order, each as often as it stands there."""
    if isinstance(value, dict):
        for name, one in value.items():
            if isinstance(one, dict | list):
                yield from (
                    leaves(one, f"{trail}{name}.")
                    if isinstance(one, dict)
                    else leaves(one, f"{trail}{name}[]")
                )
            else:
                yield f"{trail}{name}"
    elif isinstance(value, list):
        for one in value:
            if isinstance(one, dict):
                yield from leaves(one, f"{trail}.")
            elif isinstance(one, list):
                yield from leaves(one, f"{trail}[]")
            else:
                yield trail.removesuffix("[]")

"""JSON text (RFC 8259) -> values, and the objects in it that are records, each with its place.

Numbers stay the texts they are, so that an identifier of 20 digits loses none. A key that stands twice in one
object is refused: readers disagree about which one holds. Written for places, not for speed: about 1 us a token.
"""

import json
import re
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from broker_bridge.adapters.logs.protocol.record import Value

_BLANK: Final = re.compile(r"[ \t\n\r]*")
_STRING: Final = re.compile(r'"[^"\\\x00-\x1f]*(?:\\[^\x00-\x1f][^"\\\x00-\x1f]*)*"')
_CLOSED: Final = re.compile(r'"[^"\\]*(?:\\.[^"\\]*)*"', re.DOTALL)
_NUMBER: Final = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_WORDS: Final[Mapping[str, str | None]] = {"true": "true", "false": "false", "null": None}
_DEEPEST: Final = 100

Path = tuple[str, ...]
EACH: Final = "[]"
"""The step of a path that means: every element of the list."""
ENCLOSING: Final = "^"
"""The field under which a record finds the record around it."""


class JsonError(ValueError):
    """Text that is no JSON, or none that can be read safely. `at`: index of the character."""

    def __init__(self, reason: str, at: int) -> None:
        super().__init__(reason)
        self.at = at


class Found(NamedTuple):
    """An object that is a record."""

    kind: str
    start: int
    end: int
    fields: dict[str, Value]


class Wanted(NamedTuple):
    """Which objects are records of a kind: by their path, and by texts that some of their fields have."""

    kind: str
    path: Path
    where: Mapping[str, str]

    def fits(self, fields: Mapping[str, Value]) -> bool:
        """Whether an object at this path is a record of this kind."""
        return all(fields.get(name) == text for name, text in self.where.items())


def path_of(text: str) -> Path:
    """A path as mapping files spell it: `panel.boards[].components[]`; empty for the document itself.

    Raises ValueError when it is none.
    """
    name = r"[^.\[\]]+(?:\[\])*"
    if text and not re.fullmatch(rf"(?:{name}|(?:\[\])+)(?:\.{name})*", text):
        raise ValueError(
            f"{text!r} is no path; write panel.boards[].components[], or nothing for the document"
        )
    return tuple(step for step in re.split(r"\.|(\[\])", text) if step)


class Document:
    """One parse of one JSON document inside a text."""

    def __init__(self, text: str, wanted: Sequence[Wanted]) -> None:
        self._text = text
        self._by_path: dict[Path, list[Wanted]] = {}
        for one in wanted:
            self._by_path.setdefault(one.path, []).append(one)
        self.found: list[Found] = []
        """Records in the order in which they begin."""

    def parse(self, at: int) -> int:
        """Read the document that begins at or behind `at`; returns the index behind it. Raises JsonError."""
        _, end = self._value(self.skip(at), (), None, 0)
        self.found.sort(key=lambda record: record.start)
        return end

    def skip(self, at: int) -> int:
        """The index of the first character at or behind `at` that is no blank."""
        blank = _BLANK.match(self._text, at)
        return blank.end() if blank is not None else at

    def _value(self, at: int, path: Path, around: dict[str, Value] | None, depth: int) -> tuple[Value, int]:
        text = self._text
        if depth > _DEEPEST:
            raise JsonError(f"is nested more than {_DEEPEST} deep", at)
        first = text[at : at + 1]
        if first == '"':
            return self._string(at)
        if first == "{":
            return self._object(at, path, around, depth)
        if first == "[":
            return self._list(at, path, around, depth)
        number = _NUMBER.match(text, at)
        if number is not None:
            return number[0], number.end()
        for word, value in _WORDS.items():
            if text.startswith(word, at):
                return value, at + len(word)
        rest = text[at : at + 5]
        if at + len(rest) == len(text) and (rest == "-" or any(word.startswith(rest) for word in _WORDS)):
            raise JsonError("ends in the middle of a value", len(text))
        raise JsonError(f"{first!r} begins no value", at)

    def _string(self, at: int) -> tuple[str, int]:
        found = _STRING.match(self._text, at)
        if found is None and _CLOSED.match(self._text, at):
            raise JsonError("a text holds a control character", at)
        if found is None:
            raise JsonError("a text is not closed", len(self._text))
        inner = found[0]
        if "\\" not in inner:
            return inner[1:-1], found.end()
        try:
            value = json.loads(inner)
            value.encode("utf-8")
        except (ValueError, UnicodeEncodeError) as error:
            raise JsonError(f"a text holds what is no character: {error}", at) from None
        if "\x00" in value:
            raise JsonError("a text holds a NUL character", at)
        return value, found.end()

    def _object(
        self, start: int, path: Path, around: dict[str, Value] | None, depth: int
    ) -> tuple[dict[str, Value], int]:
        text, fields = self._text, dict[str, Value]()
        candidates = self._by_path.get(path)
        inner = fields if candidates is not None else around
        at = self.skip(start + 1)
        while text[at : at + 1] != "}":
            if text[at : at + 1] != '"':
                raise JsonError("a key in double quotes was expected", at)
            key, behind = self._string(at)
            if key in fields:
                raise JsonError(f"the key {key!r} stands twice in one object", at)
            at = self.skip(behind)
            if text[at : at + 1] != ":":
                raise JsonError(f"a colon was expected behind the key {key!r}", at)
            fields[key], at = self._value(self.skip(at + 1), (*path, key), inner, depth + 1)
            at = self._next(at, "}")
        end = at + 1
        for one in candidates or ():
            if one.fits(fields):
                record = {**fields, ENCLOSING: around} if around is not None else fields
                self.found.append(Found(one.kind, start, end, record))
                break
        return fields, end

    def _list(
        self, start: int, path: Path, around: dict[str, Value] | None, depth: int
    ) -> tuple[list[Value], int]:
        values: list[Value] = []
        inner = (*path, EACH)
        at = self.skip(start + 1)
        while self._text[at : at + 1] != "]":
            value, at = self._value(at, inner, around, depth + 1)
            values.append(value)
            at = self._next(at, "]")
        return values, at + 1

    def _next(self, at: int, closing: str) -> int:
        """Behind a comma, or at the closing bracket."""
        at = self.skip(at)
        sign = self._text[at : at + 1]
        if sign == ",":
            at = self.skip(at + 1)
            if self._text[at : at + 1] == closing:
                raise JsonError("a comma stands before the closing bracket", at)
            return at
        if sign != closing:
            raise JsonError(f"a comma or {closing!r} was expected", at)
        return at

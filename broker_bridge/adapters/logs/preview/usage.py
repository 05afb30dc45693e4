"""What a mapping uses, read from the mapping alone: columns, fields, words, identifiers."""

from collections.abc import Iterator, Mapping
from typing import Any, Final, NamedTuple

from pydantic import BaseModel

from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.model import MappingFile
from broker_bridge.adapters.logs.mapping.scope import FILE
from broker_bridge.adapters.logs.protocol.json_text import ENCLOSING


class TableUse(NamedTuple):
    """A field that is translated by a table."""

    kind: str
    field: str
    rule: FieldRule
    table: str


class Usage:
    """What one mapping uses."""

    def __init__(self, mapping: MappingFile) -> None:
        self._mapping = mapping
        self._references = frozenset(_references(mapping))
        self._columns = {kind: frozenset(_columns(rules)) for kind, rules in mapping.fields.items()}
        self._told_apart = {
            getattr(one, "kind", ""): frozenset(getattr(one, "where", {}))
            for one in getattr(mapping.reader, "records", ())
        }

    def uses_column(self, kind: str, column: str) -> bool:
        """Whether a rule of this kind, or of a kind inside it, reads the column (a path in nested records)."""
        if column in self._told_apart.get(kind, ()):
            return True
        around = f"{ENCLOSING}."
        used = self._columns.get(kind, frozenset()) | {
            path[len(around) :]
            for paths in self._columns.values()
            for path in paths
            if path.startswith(around)
        }
        if column in used:
            return True
        return self._mapping.reader.NESTED and any(_within(column, path) for path in used)

    def unused_fields(self) -> list[tuple[str, str]]:
        """Kind and name of the fields that no event, check or group speaks of."""
        return [
            (kind, name)
            for kind, rules in self._mapping.fields.items()
            for name in rules
            if name not in self._references and f"{kind}.{name}" not in self._references
        ]

    def tables(self) -> list[TableUse]:
        """The fields of records that are translated by a table."""
        return [
            TableUse(kind, name, rule, rule.table)
            for kind, rules in self._mapping.fields.items()
            if kind != FILE
            for name, rule in rules.items()
            if rule.table is not None
        ]

    def identifiers(self) -> list[tuple[str, str, FieldRule]]:
        """Kind, name and rule of the fields of records that are used as identifiers."""
        named = {
            text[1:]
            for rule in self._mapping.event
            for value in _identifier_values(rule.data)
            for text in value
        }
        return [
            (kind, name, rule)
            for kind, rules in self._mapping.fields.items()
            if kind != FILE
            for name, rule in rules.items()
            if (name in named or f"{kind}.{name}" in named) and rule.type == "text"
        ]


def _within(column: str, path: str) -> bool:
    return column.startswith(f"{path}.") or path.startswith(f"{column}.")


def _columns(rules: Mapping[str, FieldRule]) -> Iterator[str]:
    for name, rule in rules.items():
        yield from rule.columns or (rule.column or name,)


_NAMES: Final = ("when", "unless")
_LISTS: Final = ("present", "same", "distinct", "by", "needs")


def _references(mapping: MappingFile) -> Iterator[str]:
    yield from mapping.group.by
    for check in mapping.check:
        yield from _walked(check.model_dump())
    for event in mapping.event:
        yield from _walked(event.model_dump())
    for rule in getattr(mapping, "derived", {}).values():
        yield from _texts(rule)
    if mapping.file is not None and mapping.file.sequence is not None:
        yield mapping.file.sequence


def _texts(value: Any) -> Iterator[str]:
    """All texts of a derived value: those that name fields are among them."""
    match value:
        case str():
            yield value.removeprefix("$")
        case dict():
            for inner in value.values():
                yield from _texts(inner)
        case list() | tuple():
            for inner in value:
                yield from _texts(inner)
        case BaseModel():
            yield from _texts(value.model_dump())


def _walked(value: Any) -> Iterator[str]:
    match value:
        case str():
            if value.startswith("$"):
                yield value[1:]
        case dict():
            for key, inner in value.items():
                if key in _NAMES and isinstance(inner, dict):
                    yield from inner
                elif key in _LISTS and isinstance(inner, (list, tuple)):
                    yield from (name for name in inner if isinstance(name, str))
                yield from _walked(inner)
        case list() | tuple():
            for inner in value:
                yield from _walked(inner)


def _identifier_values(value: Any) -> Iterator[list[str]]:
    """The references in every `{ kind, value, how }` of an event's data."""
    match value:
        case dict():
            if value.keys() >= {"kind", "value", "how"}:
                inner = value["value"]
                texts = [inner] if isinstance(inner, str) else (inner or {}).get("first", [])
                yield [text for text in texts if isinstance(text, str) and text.startswith("$")]
            else:
                for inner in value.values():
                    yield from _identifier_values(inner)
        case list() | tuple():
            for inner in value:
                yield from _identifier_values(inner)

"""A file of master data, JSON, TOML or CSV by its name, to its declarations."""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final

from broker_bridge.adapters.declarations.mapping.declared import Declared, declared
from broker_bridge.adapters.declarations.mapping.tables import read_table
from broker_bridge.errors import MappingError

LARGEST: Final = 32 * 2**20
"""Bytes of a file: ten thousand components are one megabyte."""
_ASPECTS: Final = ("positions", "placement", "limits", "marking")
_KEYS: Final = ("valid_from", "lines", "parts", "materials")
_TOLD: Final = 20


def read(name: str, content: bytes, valid_from: str | None = None) -> list[Declared]:
    """The declarations of a file, in its order. `valid_from` stands in where the file states none: RFC 3339 or a date (UTC).

    Raises MappingError with all that is wrong, a line each: file, line or path, column, value.
    """
    if len(content) > LARGEST:
        raise MappingError(f"{name}: {len(content):,} bytes; at most {LARGEST:,} are read", name)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise MappingError(f"{name}: is not UTF-8 text (byte {error.start})", name) from None
    ending = name.rpartition(".")[2].lower()
    if ending == "csv":
        entries = list(read_table(name, text))
    elif ending in ("json", "toml"):
        entries = list(_entries(name, _document(name, text, ending)))
    else:
        raise MappingError(f"{name}: is neither .json, .toml nor .csv", name)
    found: list[Declared] = []
    wrong: list[str] = []
    for kind, subject, aspect, said, size, place in entries:
        since = instant(said.get("valid_from") or valid_from)
        if since is None:
            wrong.append(f"{place}: valid_from is missing: state it, or give --valid-from")
            continue
        try:
            found.append(declared(kind, subject, aspect, {**said, "valid_from": since}, size, place))
        except MappingError as error:
            wrong.append(str(error))
    twice = [
        one for number, one in enumerate(found) if one.generation in {o.generation for o in found[:number]}
    ]
    wrong += [f"{name}: {one.told} is declared twice" for one in twice]
    if not found and not wrong:
        wrong.append(f"{name}: declares nothing")
    if wrong:
        more = [f"... and {len(wrong) - _TOLD} more"] if len(wrong) > _TOLD else []
        raise MappingError("\n".join(wrong[:_TOLD] + more), name)
    return found


def instant(value: Any) -> Any:
    """A date as the instant it begins, UTC; anything else as it stands, for the schema to judge."""
    if isinstance(value, str) and len(value) == len("2026-03-02") and "T" not in value:
        return f"{value}T00:00:00Z"
    return value


def _document(name: str, text: str, ending: str) -> Mapping[str, Any]:
    try:
        found = json.loads(text) if ending == "json" else tomllib.loads(text)
    except json.JSONDecodeError as error:
        raise MappingError(
            f"{name}:{error.lineno}: column {error.colno}: is not JSON: {error.msg}", name
        ) from None
    except (ValueError, RecursionError) as error:  # huge numbers and endless nesting included
        raise MappingError(f"{name}: is not {ending.upper()}: {error}", name) from None
    if not isinstance(found, dict):
        raise MappingError(f"{name}: holds no object with the keys {', '.join(_KEYS)}", name)
    if unknown := [key for key in found if key not in _KEYS]:
        raise MappingError(f"{name}: {unknown[0]!r} is no key; there are {', '.join(_KEYS)}", name)
    plain: Mapping[str, Any] = json.loads(json.dumps(found, default=_text))
    return plain


def _text(value: object) -> str:
    if isinstance(value, datetime | date):
        return value.isoformat()
    raise MappingError(f"{value!r} has no place in a declaration")


Entry = tuple[str, str, str, Mapping[str, Any], int, str]
"""Type, subject, aspect, fields, entries, place."""


def _entries(name: str, document: Mapping[str, Any]) -> Iterator[Entry]:
    whole = {"valid_from": document["valid_from"]} if "valid_from" in document else {}
    for key, one, place in _listed(name, document):
        said = {**whole, **one}
        if key == "lines":
            subject = f"line {said.get('line')}" + "".join(
                f" {word} {_part_text(said[word])}" for word in ("part", "side") if word in said
            )
            yield (
                "line.declared",
                subject,
                "stations",
                _with_part(said),
                len(_list(said.get("stations"))),
                place,
            )
        elif key == "materials":
            yield "material.declared", f"material {said.get('number')}", "master data", said, 1, place
        else:
            part = {word: said[word] for word in ("number", "revision") if word in said}
            shared = {word: said[word] for word in ("valid_from",) if word in said}
            if unknown := [
                word for word in said if word not in ("number", "revision", "valid_from", *_ASPECTS)
            ]:
                raise MappingError(
                    f"{place}: {unknown[0]!r} is no key of a part; there are {', '.join(_ASPECTS)}", name
                )
            for aspect in _ASPECTS:
                if aspect in said:
                    value = said[aspect]
                    size = len(value) if isinstance(value, list) else 1
                    fields = {"part": part, **shared, aspect: value}
                    yield (
                        "line.part_declared",
                        f"part {_part_text(part)}",
                        aspect,
                        fields,
                        size,
                        f"{place}.{aspect}",
                    )


def _listed(name: str, document: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any], str]]:
    for key in ("lines", "parts", "materials"):
        for number, one in enumerate(_list(document.get(key)), start=1):
            if not isinstance(one, dict):
                raise MappingError(f"{name}: {key}.{number}: is no object", name)
            yield key, one, f"{name}: {key}.{number}"


def _list(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list) else []


def _with_part(said: Mapping[str, Any]) -> Mapping[str, Any]:
    part = said.get("part")
    return {**said, "part": {"number": part}} if isinstance(part, str) else said


def _part_text(part: Any) -> str:
    if isinstance(part, dict):
        return " ".join(str(part[word]) for word in ("number", "revision") if part.get(word))
    return str(part)

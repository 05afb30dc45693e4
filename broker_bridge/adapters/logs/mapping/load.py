"""Text of a mapping file -> its model; every error names file, line, key and value."""

import datetime as dt
import hashlib
import re
import tomllib
from collections.abc import Sequence
from typing import Any

import orjson
from pydantic import ValidationError

from broker_bridge.adapters.logs.mapping.model import MappingFile
from broker_bridge.errors import ConfigError

Step = str | int


class Source:
    """A mapping file's text: where a key stands, and what its content hashes to."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        try:
            self.document: dict[str, Any] = tomllib.loads(text)
        except (ValueError, RecursionError) as error:  # huge numbers and endless nesting included
            raise ConfigError(f"{name}: is not TOML: {error}") from None
        self._paths = list(_paths(text))

    @property
    def hash(self) -> str:
        """SHA-256 of the content: comments, blanks and the order of keys do not count."""
        canonical = orjson.dumps(self.document, option=orjson.OPT_SORT_KEYS, default=str)
        return hashlib.sha256(canonical).hexdigest()

    def error(self, where: Sequence[Step], problem: str) -> ConfigError:
        """A ConfigError about one key of the file."""
        return ConfigError(self.told(where, problem))

    def told(self, where: Sequence[Step], problem: str) -> str:
        """One line of `file, line N: key: what is wrong`."""
        key = ".".join(f"{step + 1}" if isinstance(step, int) else step for step in where)
        line = self.line(where)
        at = f"{self.name}, line {line}" if line else self.name
        return f"{at}: {key}: {problem}" if key else f"{at}: {problem}"

    def line(self, where: Sequence[Step]) -> int | None:
        """The line on which a key stands, or the nearest key around it."""
        best, line = 0, None
        for number, path in self._paths:
            shared = 0
            for step, wanted in zip(path, where, strict=False):
                if step != wanted:
                    break
                shared += 1
            if (shared == len(path) and shared > best) or shared > best:
                best, line = shared, number
        return line


_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_TABLE = re.compile(rf"\s*\[({_DOTTED})\]")
_ARRAY = re.compile(rf"\s*\[\[({_DOTTED})\]\]")
_ASSIGNED = re.compile(rf"\s*({_DOTTED})\s*=")


def _paths(text: str) -> Sequence[tuple[int, tuple[Step, ...]]]:
    """Every table and key with its line. Lines inside texts of many lines may be taken for keys: only a hint."""
    found: list[tuple[int, tuple[Step, ...]]] = []
    counts: dict[tuple[Step, ...], int] = {}
    table: tuple[Step, ...] = ()
    for number, line in enumerate(text.split("\n"), 1):
        if array := _ARRAY.match(line):
            path = _numbered(_steps(array[1])[:-1], counts) + tuple(_steps(array[1])[-1:])
            counts[path] = counts.get(path, -1) + 1
            table = (*path, counts[path])
            found.append((number, table))
        elif header := _TABLE.match(line):
            table = _numbered(_steps(header[1]), counts)
            found.append((number, table))
        elif assigned := _ASSIGNED.match(line):
            found.append((number, table + tuple(_steps(assigned[1]))))
    return found


def _steps(dotted: str) -> list[str]:
    return [key.strip("\"'") for key in re.findall(_KEY, dotted)]


def _numbered(steps: Sequence[str], counts: dict[tuple[Step, ...], int]) -> tuple[Step, ...]:
    path: tuple[Step, ...] = ()
    for step in steps:
        path = (*path, step)
        if path in counts:
            path = (*path, counts[path])
    return path


def parse(text: str, name: str) -> tuple[MappingFile, Source]:
    """Read a mapping file's text. Raises ConfigError naming file, line, key, value and what is allowed."""
    source = Source(text, name)
    try:
        # By way of JSON, where strict reading takes lists for tuples but neither "1" nor true for a number.
        document = orjson.dumps(_long_form(source.document), default=str)
        return MappingFile.model_validate_json(document, strict=True), source
    except ValidationError as error:
        raise ConfigError("\n".join(_findings(error, source))) from None
    except TypeError as error:  # a number beyond 64 bits, which no key takes
        raise ConfigError(f"{name}: {error}") from None


def _long_form(document: dict[str, Any]) -> dict[str, Any]:
    """The document with its short forms written out: a field that is only its column, an event with one time."""
    long = dict(document)
    if isinstance(fields := document.get("fields"), dict):
        long["fields"] = {kind: _long_fields(rules) for kind, rules in fields.items()}
    if isinstance(companions := document.get("companion"), dict):
        long["companion"] = {
            name: {**one, "fields": _long_fields(one["fields"])}
            if isinstance(one, dict) and "fields" in one
            else one
            for name, one in companions.items()
        }
    if isinstance(events := document.get("event"), list):
        long["event"] = [
            {**event, "time": [event["time"]]}
            if isinstance(event, dict) and isinstance(event.get("time"), str)
            else event
            for event in events
        ]
    return long


def _long_fields(rules: Any) -> Any:
    if not isinstance(rules, dict):
        return rules
    return {name: {"column": rule} if isinstance(rule, str) else rule for name, rule in rules.items()}


def _findings(error: ValidationError, source: Source) -> Sequence[str]:
    lines = []
    findings = error.errors(include_url=False)
    for finding in findings:
        if finding["type"] == "too_short" and any(
            other["loc"][: len(finding["loc"])] == finding["loc"]
            for other in findings
            if other is not finding
        ):
            continue  # a list is found empty because its items are wrong, which is told
        where = _without_tags(finding["loc"], source.document)
        problem = finding["msg"].removeprefix("Value error, ")
        if finding["type"] == "extra_forbidden":
            problem = f"unknown key (value {_short(finding['input'])}); remove it or correct its name"
        elif finding["type"] == "missing":
            problem = "missing; it has to be given"
        else:
            problem = f"{problem} (found {_short(finding['input'])})"
        lines.append(source.told(where, problem))
    return lines


def _without_tags(where: Sequence[Step], document: Any) -> tuple[Step, ...]:
    """The path without the names of union members, which pydantic adds and the file does not have."""
    path: list[Step] = []
    at = document
    for index, step in enumerate(where):
        if (isinstance(at, dict) and step in at) or (
            isinstance(at, list) and isinstance(step, int) and step < len(at)
        ):
            at = at[step]  # type: ignore[index] # a list was met with an index just now
        elif index < len(where) - 1:
            continue
        path.append(step)
    return tuple(path)


def _short(value: object) -> str:
    if isinstance(value, dt.date):
        value = value.isoformat()
    text = repr(value)
    return text if len(text) <= 120 else text[:117] + "..."

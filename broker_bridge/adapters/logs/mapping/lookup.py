"""Look-ups in companion files: tables that lie beside the logs, such as which reel was set up at which slot since when.

What a companion does not tell is not known, never guessed: the value is absent and the record flagged.

    companion_missing      no companion file is there
    companion_unreadable   a row of it cannot be read, and might be the one in force
    companion_late         it was written before the time that is looked up: a later change may be missing
    companion_no_row       no row is in force
    companion_ambiguous    several different rows are, or the hour exists twice and they differ
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import product
from typing import Any, Final

import re2

from broker_bridge.adapters.logs.mapping.derived import LookUpRule
from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.model import Companion, MappingFile
from broker_bridge.adapters.logs.mapping.scope import Getter, Names, Scope
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.mapping.values import FieldError, Typed, Values, row_reader
from broker_bridge.adapters.logs.protocol.readers import open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused

Compute = Callable[[Scope], Typed | None]
Key = tuple[Typed | None, ...]

_DOUBLED: Final = timedelta(hours=1)
_REMEMBERED: Final = 32


@dataclass(frozen=True, slots=True)
class CompanionFile:
    """A companion as it was found, decompressed."""

    name: str
    digest: str
    """SHA-256 of the content."""
    modified: datetime
    content: bytes


class _Table:
    """The rows of one companion file."""

    def __init__(self, rows: list[Values], readable: bool) -> None:
        self.rows = rows
        self.readable = readable


@dataclass
class Companions:
    """The companions of one log, and what they did not tell."""

    tables: Mapping[str, Sequence[_Table]] = field(default_factory=dict)
    written: Mapping[str, datetime] = field(default_factory=dict)
    """When the newest file of each was written."""
    hashes: tuple[tuple[str, str], ...] = ()
    """Name of the companion and hash of its content, a file each."""
    lacking: set[str] = field(default_factory=set)
    """Companions that may still come, or come whole."""
    indexed: dict[tuple[str, tuple[str, ...]], dict[Key, list[Values]]] = field(default_factory=dict)

    def index(self, name: str, same: tuple[str, ...]) -> dict[Key, list[Values]]:
        """The rows of one companion by these fields, by every item of one that is a list; made once."""
        index = self.indexed.get((name, same))
        if index is None:
            index = self.indexed[name, same] = {}
            for table in self.tables[name]:
                for row in table.rows:
                    values = [row.get(each) for each in same]
                    choices = [value if type(value) is tuple else (value,) for value in values]
                    for key in {*product(*choices)}:
                        index.setdefault(key, []).append(row)
        return index


class Lookups:
    """The companions that a mapping states."""

    def __init__(self, mapping: MappingFile) -> None:
        self._stated = mapping.companion
        self._main = re2.compile(mapping.file.pattern) if mapping.file is not None else None
        self._patterns = {name: re2.compile(one.pattern) for name, one in self._stated.items()}
        self._readers = {
            name: row_reader(
                one.fields,
                mapping.model_copy(update={"reader": one.reader}),
                nested=one.reader.NESTED,
            )
            for name, one in self._stated.items()
        }
        self._read: dict[tuple[str, str], _Table] = {}

    def __bool__(self) -> bool:
        return bool(self._stated)

    def matches(self, name: str) -> bool:
        """Whether a file of this name is a companion: it is no log."""
        return any(pattern.fullmatch(name) for pattern in self._patterns.values())

    def belongs(self, companion: str, log: str) -> bool:
        """Whether a file of the name `companion` is one for the file `log`: what both patterns name is equal."""
        return any(self._belongs(name, companion, log) for name in self._stated)

    def _belongs(self, name: str, companion: str, log: str) -> bool:
        found = self._patterns[name].fullmatch(companion)
        if found is None:
            return False
        own = self._main.fullmatch(log) if self._main is not None else None
        known = own.groupdict() if own is not None else {}
        return all(known[key] == text for key, text in found.groupdict().items() if key in known)

    def open(self, log: str, files: Sequence[CompanionFile]) -> Companions:
        """The companions of one log; those of the files that belong to it are read."""
        tables: dict[str, list[_Table]] = {}
        written: dict[str, datetime] = {}
        hashes = []
        for name in self._stated:
            for file in sorted(files, key=lambda file: (file.name, file.digest)):
                if not self._belongs(name, file.name, log):
                    continue
                tables.setdefault(name, []).append(self._table(name, file))
                written[name] = max(written.get(name, file.modified), file.modified)
                hashes.append((name, file.digest))
        return Companions(tables, written, tuple(hashes))

    def _table(self, name: str, file: CompanionFile) -> _Table:
        key = (name, file.digest)
        table = self._read.get(key)
        if table is None:
            if len(self._read) >= _REMEMBERED:
                self._read.clear()
            table = self._read[key] = _rows(self._stated[name], self._readers[name], file.content)
        return table

    def compute(self, rule: LookUpRule, names: Names) -> tuple[Compute, FieldRule]:
        """The function that looks a value up, and the field it gives. Raises ValueError naming what is not there."""
        stated = self._stated.get(rule.companion)
        if stated is None:
            known = ", ".join(self._stated) or "none"
            raise ValueError(f"there is no companion {rule.companion!r}; there are: {known}")
        for wanted in (rule.gives, *rule.same):
            if wanted not in stated.fields:
                raise ValueError(
                    f"the companion {rule.companion} has no field {wanted!r}; it has {', '.join(stated.fields)}"
                )
        if (rule.at is None) != (stated.since is None):
            raise ValueError("`at` goes with a companion that states `since`, and only with it")
        same = tuple(rule.same)
        getters = []
        for own, reference in rule.same.items():
            get, field = _find(reference, names)
            if (field.type == "text") != (stated.fields[own].type == "text"):
                raise ValueError(
                    f"{reference} is declared as {field.type}, {own} of the companion as {stated.fields[own].type}:"
                    " they would never be equal"
                )
            getters.append(get)
        at: Getter | None = None
        if rule.at is not None:
            at, moment = _find(rule.at, names)
            if moment.type != "time":
                raise ValueError(f"{rule.at} is declared as {moment.type}, but time is wanted here")
        return _look_up(rule, stated, same, getters, at), stated.fields[rule.gives]


def _find(reference: str, names: Names) -> tuple[Getter, FieldRule]:
    if not reference.startswith("$"):
        raise ValueError(f"{reference!r} is no field; a field is written $name")
    return names.find(reference)


def _rows(stated: Companion, read: Callable[[NativeRecord], Values], content: bytes) -> _Table:
    reader = open_reader(stated.reader)
    if content:
        reader.receive_data(content)
    reader.receive_data(b"")
    rows: list[Values] = []
    readable = True
    while isinstance(item := reader.next_record(), (NativeRecord, Refused)):
        if isinstance(item, Refused):
            readable = False
        elif item.kind == stated.kind:
            try:
                rows.append(read(item))
            except FieldError:
                readable = False
    return _Table(rows, readable and reader.complete)


def _look_up(
    rule: LookUpRule, stated: Companion, same: tuple[str, ...], getters: list[Getter], at: Getter | None
) -> Compute:
    name, gives = rule.companion, rule.gives
    since, until, waits = stated.since, stated.until, stated.covers == "written_after"

    def compute(scope: Scope) -> Typed | None:
        key = tuple([get(scope) for get in getters])
        moment = at(scope) if at is not None else None
        if None in key or (at is not None and not isinstance(moment, TimeValue)):
            return None
        found = look(scope.group.companions, key, moment)
        if not isinstance(found, str):
            return found.get(gives)
        scope.flags.add(found)
        if rule.required and found in ("companion_no_row", "companion_ambiguous"):
            told = ", ".join(f"{field} {value!r}" for field, value in zip(same, key, strict=True))
            line = f"line {scope.row.record.line}" if scope.row is not None else ""
            raise FieldError(
                f"the companion {name} has no row for {told}"
                if found == "companion_no_row"
                else f"the companion {name} has several rows for {told}",
                line, None, found,
            )  # fmt: skip
        return None

    def look(companions: Companions, key: Key, moment: Any) -> "Values | str":
        tables = companions.tables.get(name)
        if not tables:
            companions.lacking.add(name)
            return "companion_missing"
        if not all(table.readable for table in tables):
            companions.lacking.add(name)
            return "companion_unreadable"
        rows = companions.index(name, same).get(key, [])
        if since is None:
            return _one(rows)
        if waits and companions.written[name] < moment.utc:
            companions.lacking.add(name)
            return "companion_late"
        doubled = "ambiguous_time" in moment.flags
        first = _in_force(rows, moment.utc, since, until)
        second = _in_force(rows, moment.utc + _DOUBLED, since, until) if doubled else first
        return first if first == second else "companion_ambiguous"

    return compute


def _in_force(rows: Sequence[Values], moment: datetime, since: str, until: str | None) -> "Values | str":
    begun: list[tuple[datetime, Values]] = []
    for row in rows:
        begin = row.get(since)
        if not isinstance(begin, TimeValue):
            continue
        if "ambiguous_time" in begin.flags and begin.utc <= moment < begin.utc + _DOUBLED:
            return "companion_ambiguous"
        if begin.utc <= moment:
            begun.append((begin.utc, row))
    if not begun:
        return "companion_no_row"
    latest = max(begin for begin, _ in begun)
    found = _one([row for begin, row in begun if begin == latest])
    if isinstance(found, str) or until is None:
        return found
    end = found.get(until)
    return "companion_no_row" if isinstance(end, TimeValue) and end.utc <= moment else found


def _one(rows: Sequence[Values]) -> "Values | str":
    if not rows:
        return "companion_no_row"
    return rows[0] if all(row == rows[0] for row in rows) else "companion_ambiguous"

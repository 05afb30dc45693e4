"""Counts what becomes of the records of some files under one mapping, and what of the mapping never mattered."""

import base64
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import Any, Final

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.load import Source
from broker_bridge.adapters.logs.mapping.template import is_placeholder
from broker_bridge.adapters.logs.mapping.values import FieldError, row_reader
from broker_bridge.adapters.logs.mapping.zones import zone_of
from broker_bridge.adapters.logs.preview.advice import advice
from broker_bridge.adapters.logs.preview.passed_over import passed_over
from broker_bridge.adapters.logs.preview.sample import known_binary
from broker_bridge.adapters.logs.preview.usage import Usage
from broker_bridge.adapters.logs.preview.view import (
    FileLine,
    FirstEvent,
    Placeholder,
    Preview,
    Rejection,
    SilentRule,
    Unlisted,
    UnusedColumn,
    UnusedField,
    Word,
)
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused
from broker_bridge.events.ids import EventId
from broker_bridge.events.source import SourceRejected

_RAW: Final = 400
_LOOKED_INTO: Final = 2000
"""Records of a kind whose nested fields are walked through for their paths."""
_MOST_WORDS: Final = 1000
_ALIKE: Final = 3
"""Rejected records that are shown of those with the same reason."""


class Statistics:
    """Give it the records and takings of every file between `begin` and `end`; then ask for the `view`."""

    def __init__(self, mapping: Compiled, text: str, path: str, *, shown: int, rejected_shown: int) -> None:
        self._mapping = mapping
        self._source = Source(text, path)
        self._path = path
        self._shown = shown
        self._rejected_shown = rejected_shown
        self._usage = Usage(mapping.file)
        nested = mapping.file.reader.NESTED
        self._words = [
            (use.kind, use.field, use.table, _one_field(use.field, use.rule, mapping, nested))
            for use in self._usage.tables()
        ]
        self._names = [
            (kind, field, _one_field(field, rule, mapping, nested))
            for kind, field, rule in self._usage.identifiers()
        ]
        self._placeholder_words = frozenset(word.casefold() for word in mapping.file.placeholders)
        self._files: list[FileLine] = []
        self._kinds: Counter[str] = Counter()
        self._types: Counter[str] = Counter()
        self._flags: Counter[str] = Counter()
        self._codes: Counter[str] = Counter()
        self._rules: Counter[int] = Counter()
        self._passed_over: Counter[str] = Counter()
        self._columns: dict[tuple[str, str], str | None] = {}
        self._columns_of_file: dict[tuple[str, str], str | None] = {}
        self._shapes: set[tuple[str, tuple[str, ...]]] = set()
        self._met: Counter[tuple[str, str, str]] = Counter()
        self._first: dict[tuple[str, str, str], str] = {}
        self._placeholders: Counter[tuple[str, str]] = Counter()
        self._events: list[FirstEvent] = []
        self._rejections: list[Rejection] = []
        self._name, self._content = "", b""
        self._covered, self._between = 0, list[tuple[int, int]]()
        self._of_file: Counter[str] = Counter()
        self._reason = ""

    # -- one file

    def begin(self, name: str, content: bytes) -> None:
        """A file begins; `name` is what a person calls it."""
        self._name, self._content = name, content
        self._covered, self._between = 0, []
        self._of_file = Counter()
        self._columns_of_file = {}
        self._shapes = set()
        self._reason = ""

    def record(self, item: NativeRecord | Refused) -> None:
        """One record or refusal of the file, in order."""
        if item.position > self._covered:
            self._between.append((self._covered, item.position))
        self._covered = max(self._covered, item.end)
        self._of_file["records"] += 1
        if isinstance(item, Refused):
            return
        kind = item.kind
        self._kinds[kind] += 1
        self._note_columns(item)
        for wanted, field, table, read in self._words:
            if wanted == kind:
                for word in read(item):
                    self._note_word(item, table, field, word)
        for wanted, field, read in self._names:
            if wanted == kind:
                for text in read(item):
                    if text and is_placeholder(text, self._placeholder_words):
                        self._placeholders[f"{kind}.{field}", text] += 1

    def taking(self, taking: Taking) -> None:
        """One taking of the file."""
        for ordinal, statement in enumerate(taking.statements):
            data = statement.data
            if isinstance(data, SourceRejected):
                self._reject(data)
                continue
            self._of_file["events"] += 1
            self._types[data.TYPE] += 1
            self._flags.update(data.origin.flags)
            if len(self._events) < self._shown:
                self._events.append(self._event(taking, ordinal, statement))

    def end(self, generation: str, counters: Mapping[str, int], *, complete: bool) -> None:
        """The file has ended; `counters` as a reading gives them."""
        if self._covered < len(self._content):
            self._between.append((self._covered, len(self._content)))
        self._passed_over += passed_over(self._mapping.file.reader, self._content, self._between)
        for key, count in counters.items():
            kind, _, number = key.partition(".")
            if kind == "rule":
                self._rules[int(number) - 1] += count
        events, rejected = self._of_file["events"], self._of_file["rejected"]
        if events:
            # What a file that the mapping does not fit calls a column is none.
            for column, example in self._columns_of_file.items():
                self._columns[column] = self._columns.get(column) or example
        self._files.append(
            FileLine(
                file=self._name, bytes=len(self._content), generation=generation, complete=complete,
                records=self._of_file["records"], events=events, rejected=rejected,
                verdict=self._verdict(events, rejected),
            )
        )  # fmt: skip
        self._content = b""

    def unread(self, taking: Taking, size: int) -> None:
        """A file that cannot be read at all, between `begin` and the next one."""
        (statement,) = taking.statements
        assert isinstance(statement.data, SourceRejected)
        self._reject(statement.data)
        self._files.append(
            FileLine(
                file=self._name, bytes=size, records=0, events=0, rejected=1, complete=False,
                verdict=f"{statement.data.reason}.",
            )
        )  # fmt: skip

    def _verdict(self, events: int, rejected: int) -> str | None:
        if events:
            return None
        if not self._content.strip():
            return "It is empty."
        binary = known_binary(self._content)
        told = f" Its bytes look like {binary}, which is no text." if binary else ""
        if rejected:
            count = "its only record" if rejected == 1 else f"none of its {rejected:,} records"
            verb = "did not become an event" if rejected == 1 else "became an event"
            return f"This mapping does not fit it: {count} {verb}; the first reason: {_cut(self._reason, 300)}.{told}"
        records = self._of_file["records"]
        if records:
            return f"No rule of this mapping gives an event for any of its {records:,} records."
        lines = self._content.count(b"\n") + (not self._content.endswith(b"\n"))
        return f"This mapping does not fit it: it finds no record of any kind in {lines:,} lines.{told}"

    # -- details

    def _note_columns(self, record: NativeRecord) -> None:
        fields = record.fields
        if self._mapping.file.reader.NESTED:
            if self._kinds[record.kind] <= _LOOKED_INTO:
                for path, text in _leaves(fields, ""):
                    self._note_column(record.kind, path, text)
            return
        shape = (record.kind, tuple(fields))
        if shape not in self._shapes or self._kinds[record.kind] <= _LOOKED_INTO:
            self._shapes.add(shape)
            for name, value in fields.items():
                self._note_column(record.kind, name, value if isinstance(value, str) else None)

    def _note_column(self, kind: str, column: str, text: str | None) -> None:
        if not self._columns_of_file.get((kind, column)):
            self._columns_of_file[kind, column] = _cut(text.strip(), 60) if text else None

    def _note_word(self, record: NativeRecord, table: str, field: str, word: str) -> None:
        key = (table, f"{record.kind}.{field}", word)
        if key not in self._met:
            if len(self._met) >= _MOST_WORDS:
                return
            self._first[key] = f"{self._name}, line {record.line}"
        self._met[key] += 1

    def _reject(self, data: SourceRejected) -> None:
        self._of_file["rejected"] += 1
        self._codes[data.code] += 1
        self._reason = self._reason or data.reason
        alike = sum((one.code, one.reason) == (data.code, data.reason) for one in self._rejections)
        if len(self._rejections) >= self._rejected_shown or alike >= _ALIKE:
            return
        raw = data.origin.raw
        line, size, held = None, 0, b""
        if raw is not None:
            line, size, start = raw.line, raw.size, raw.offset or 0
            held = (
                base64.b64decode(raw.inline)
                if raw.inline
                else self._content[start : start + min(size, 4 * _RAW)]
            )
        self._rejections.append(
            Rejection(
                file=self._name, line=line, place=data.place, code=data.code, reason=data.reason, value=data.value,
                right=advice(self._mapping.file, data.code, data.reason), raw=_cut(self._text(held), _RAW), size=size,
            )
        )  # fmt: skip

    def _text(self, raw: bytes) -> str:
        encoding = getattr(self._mapping.file.reader, "encoding", None) or "utf-8"
        try:
            text = raw.decode("utf-16-le" if encoding == "utf-16" else encoding, "backslashreplace")
        except (LookupError, UnicodeError):
            text = raw.decode("ascii", "backslashreplace")
        return text.rstrip("\r\n\x00").removeprefix("\ufeff")

    def _event(self, taking: Taking, ordinal: int, statement: Statement) -> FirstEvent:
        data, origin = statement.data, statement.data.origin
        local = None
        if origin.zone is not None:
            local = statement.time.astimezone(zone_of(origin.zone)).isoformat()
        return FirstEvent(
            file=self._name,
            line=origin.raw.line if origin.raw is not None else None,
            id=str(EventId(taking.generation, taking.position, ordinal, taking.revision)),
            type=data.TYPE,
            subject=statement.subject,
            time=_utc(statement.time),
            local_time=local,
            zone=origin.zone,
            zone_basis=origin.zone_basis,
            time_means=origin.time_means,
            time_text=origin.time_text,
            flags=origin.flags,
            data=data.model_dump(mode="json", exclude_none=True, exclude={"origin"}),
        )

    # -- the answer

    def view(self) -> Preview:
        """Everything so far."""
        mapping = self._mapping.file
        return Preview(
            mapping=self._path,
            name=mapping.name,
            revision=mapping.revision,
            hash=self._mapping.hash,
            files=tuple(self._files),
            records=dict(sorted(self._kinds.items())),
            events=dict(sorted(self._types.items())),
            rejected=self._codes.total(),
            rejected_by=dict(self._codes.most_common()),
            rejections=tuple(self._rejections),
            passed_over={name: count for name, count in self._passed_over.items() if count},
            first_events=tuple(self._events),
            unused_columns=tuple(self._unused_columns()),
            unused_fields=tuple(
                UnusedField(kind=kind, field=field) for kind, field in self._usage.unused_fields()
            ),
            silent_rules=tuple(
                SilentRule(
                    number=number + 1,
                    type=rule.type,
                    each=rule.each,
                    line=self._source.line(("event", number)),
                )
                for number, rule in enumerate(mapping.event)
                if not self._rules[number]
            ),
            unmet_words=tuple(self._unmet_words()),
            unlisted=tuple(self._unlisted()),
            flags=dict(self._flags.most_common()),
            placeholders=tuple(
                Placeholder(field=field, text=text, records=count)
                for (field, text), count in self._placeholders.most_common()
            ),
        )

    def _unused_columns(self) -> Iterator[UnusedColumn]:
        for (kind, column), example in self._columns.items():
            if not self._usage.uses_column(kind, column):
                yield UnusedColumn(kind=kind, column=column, example=example)

    def _unmet_words(self) -> Iterator[Word]:
        met = {(table, self._folded(table, word)) for table, _, word in self._met}
        used = {table for _, _, table, _ in self._words}
        for name, table in self._mapping.file.tables.items():
            for word in table.values if name in used else ():
                if (name, self._folded(name, word)) not in met:
                    yield Word(table=name, word=word)

    def _unlisted(self) -> Iterator[Unlisted]:
        for (name, field, word), count in self._met.most_common():
            table = self._mapping.file.tables[name]
            if self._folded(name, word) not in {self._folded(name, listed) for listed in table.values}:
                became = {"reject": "rejected", "unknown": "unknown", "keep": word}[table.otherwise]
                first = self._first[name, field, word]
                yield Unlisted(table=name, field=field, word=word, records=count, became=became, first=first)

    def _folded(self, table: str, word: str) -> str:
        return word.casefold() if self._mapping.file.tables[table].case == "ignore" else word


def _one_field(
    name: str, rule: FieldRule, mapping: Compiled, nested: bool
) -> Callable[[NativeRecord], tuple[str, ...]]:
    """The texts a field has before table and type; none where it is absent or cannot be read."""
    plain = {
        key: getattr(rule, key)
        for key in rule.model_fields_set
        if key
        not in (
            "table",
            "type",
            "required",
            "decimal",
            "thousands",
            "scale",
            "unit",
            "range",
            "true",
            "false",
        )
    }
    read = row_reader({name: FieldRule(**plain)}, mapping.file, nested=nested)

    def texts(record: NativeRecord) -> tuple[str, ...]:
        try:
            value: Any = read(record).get(name)
        except FieldError:
            return ()
        if value is None:
            return ()
        return (value,) if isinstance(value, str) else tuple(map(str, value))

    return texts


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str | None]]:
    match value:
        case dict() | Mapping():
            for key, inner in value.items():
                if key != "^":  # what stands around is told with its own kind
                    yield from _leaves(inner, f"{path}.{key}" if path else key)
        case list():
            for inner in value[:1]:
                yield from _leaves(inner, path)
        case _:
            yield path, value


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def _utc(time: datetime) -> str:
    return time.isoformat().replace("+00:00", "Z")

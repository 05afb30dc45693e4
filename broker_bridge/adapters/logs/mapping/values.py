"""Fields of a record -> typed values, as closures that are made once for a mapping."""

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Final

import re2

from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.model import MappingFile, Table
from broker_bridge.adapters.logs.mapping.times import TimeValue, states_zone, time_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Value
from broker_bridge.errors import MappingError

Typed = str | int | float | bool | TimeValue
Values = dict[str, Typed]

_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII).fullmatch
_INTEGER: Final = re.compile(r"[+-]?\d{1,18}", re.ASCII).fullmatch


class FieldError(MappingError):
    """A record cannot become events because of one value."""

    def __init__(self, message: str, place: str = "", value: str | None = None, code: str = "field") -> None:
        super().__init__(message, place)
        self.value = value
        self.code = code


class _Fault(ValueError):
    """A text that is not what its field expects."""

    def __init__(self, reason: str, code: str = "field") -> None:
        super().__init__(reason)
        self.code = code


Take = Callable[[Mapping[str, Value]], str | None]
Convert = Callable[[str], Typed | None]


def row_reader(rules: Mapping[str, FieldRule], mapping: MappingFile) -> Callable[[NativeRecord], Values]:
    """A function from a record to its typed values; absent ones are left out.

    It raises FieldError, naming line, column, value and reason, for the first value that is not as stated.
    """
    readers = [(name, rule, _taker(name, rule), _converter(rule, mapping)) for name, rule in rules.items()]
    required = [name for name, rule in rules.items() if rule.required]

    def read(record: NativeRecord) -> Values:
        fields = record.fields
        values: Values = {}
        name, text = "", None
        try:
            for name, _, take, convert in readers:
                text = take(fields)
                if text is not None:
                    value = convert(text)
                    if value is not None:
                        values[name] = value
        except KeyError as error:
            if not record.columns or error.args[0] in record.columns:
                return _sparse(record)
            raise _column_missing(record, name, error.args[0]) from None
        except _Fault as fault:
            raise _field_error(record, name, rules[name], text, fault) from None
        for name in required:
            if name not in values:
                place = record.place(_columns(name, rules[name])[0])
                raise FieldError(f"{name} is absent, but required", place, None, "required")
        return values

    def _sparse(record: NativeRecord) -> Values:
        # Blocks of pairs, nested records and short rows may lack a column: it is absent there.
        padded = dict.fromkeys(columns)
        padded.update(record.fields)
        return read(NativeRecord(record.kind, record.position, record.end, record.line, record.raw, padded))

    columns = [column for name, rule in rules.items() for column in _columns(name, rule)]
    return read


def _columns(name: str, rule: FieldRule) -> tuple[str, ...]:
    return rule.columns or (rule.column or name,)


def _column_missing(record: NativeRecord, name: str, column: str) -> FieldError:
    return FieldError(
        f"{name} is read from column {column!r}, which this file does not have; it has {list(record.columns)}",
        f"line {record.line}",
        column,
        "columns",
    )


def _field_error(
    record: NativeRecord, name: str, rule: FieldRule, text: str | None, fault: _Fault
) -> FieldError:
    column = _columns(name, rule)[0]
    found = text if text is not None else repr(record.fields.get(column))
    return FieldError(f"{name}: {found[:80]!r} {fault}", record.place(column), found, fault.code)


def _taker(name: str, rule: FieldRule) -> Take:
    columns, trim, absent = _columns(name, rule), rule.trim, frozenset(rule.absent)
    if len(columns) > 1:
        return _joining_taker(columns, rule)
    column = columns[0]

    def take(fields: Mapping[str, Value]) -> str | None:
        text = fields[column]
        if text is None:
            return None
        if not isinstance(text, str):
            raise _Fault(f"is {'a list' if isinstance(text, list) else 'an object'}, not one text", "nested")
        if trim:
            text = text.strip()
        return None if text in absent else text

    return take


def _joining_taker(columns: tuple[str, ...], rule: FieldRule) -> Take:
    trim, absent, sign = rule.trim, frozenset(rule.absent), rule.join

    def take(fields: Mapping[str, Value]) -> str | None:
        parts = []
        for column in columns:
            part = fields[column]
            if part is None:
                return None
            if not isinstance(part, str):
                raise _Fault(f"holds more than one text in {column!r}", "nested")
            part = part.strip() if trim else part
            if part in absent:
                return None
            parts.append(part)
        return sign.join(parts)

    return take


def _converter(rule: FieldRule, mapping: MappingFile) -> Convert:
    steps: list[Convert] = []
    if rule.match is not None:
        steps.append(_matcher(rule.match))
    if rule.split is not None:
        steps.append(_splitter(rule.split, rule.part))
    if steps:
        steps.append(_absenter(frozenset(rule.absent)))
    if rule.table is not None:
        steps.append(_translator(mapping.tables[rule.table], rule.table))
    typed = _typer(rule, mapping)
    if typed is not None:
        steps.append(typed)
    if not steps:
        return _storable
    if rule.type == "text":
        steps.insert(0, _storable)
    return steps[0] if len(steps) == 1 else _chained(steps)


def _storable(text: str) -> str:
    if len(text) > 8192:
        raise _Fault(f"is {len(text)} characters long; at most 8192 are taken", "oversize")
    return text


def _chained(steps: list[Convert]) -> Convert:
    first, *others = steps

    def convert(text: str) -> Typed | None:
        value = first(text)
        for step in others:
            if value is None:
                return None
            value = step(value)  # type: ignore[arg-type] # every step but the last gives a text
        return value

    return convert


def _matcher(pattern: str) -> Convert:
    compiled = re2.compile(pattern)

    def match(text: str) -> str | None:
        found = compiled.search(text)
        if found is None:
            raise _Fault(f"does not match {pattern!r}", "match")
        group: str | None = found.group(1)
        return group

    return match


def _splitter(sign: str, part: int) -> Convert:
    index = part - 1 if part > 0 else part

    def split(text: str) -> str | None:
        try:
            return text.split(sign)[index].strip()
        except IndexError:
            raise _Fault(f"has no part {part} when split at {sign!r}", "split") from None

    return split


def _absenter(absent: frozenset[str]) -> Convert:
    return lambda text: None if text in absent else text


def _translator(table: Table, name: str) -> Convert:
    fold = str.casefold if table.case == "ignore" else str
    words = {fold(word): meaning for word, meaning in table.values.items()}

    def translate(text: str) -> str | None:
        meaning = words.get(fold(text))
        if meaning is not None:
            return meaning or None
        if table.otherwise == "keep":
            return text
        if table.otherwise == "unknown":
            return "unknown"
        raise _Fault(f"is not in the table {name!r}; add it there, or state another `otherwise`", "table")

    return translate


def _typer(rule: FieldRule, mapping: MappingFile) -> Convert | None:
    match rule.type:
        case "text":
            return None
        case "boolean":
            return _boolean(frozenset(rule.true), frozenset(rule.false))
        case "time":
            return _time(rule, mapping)
        case "integer" | "number":
            return _numeric(rule, getattr(mapping.reader, "decimal", "."))


def _boolean(true: frozenset[str], false: frozenset[str]) -> Convert:
    def convert(text: str) -> bool:
        if text in true:
            return True
        if text in false:
            return False
        raise _Fault(f"is neither {' nor '.join(map(repr, sorted(true | false)))}")

    return convert


def _time(rule: FieldRule, mapping: MappingFile) -> Convert:
    assert rule.format is not None
    assert rule.means is not None
    zone = rule.zone or (None if states_zone(rule.format) else mapping.zone)
    read = time_reader(rule.format, rule.means, zone, "configured" if rule.zone else mapping.zone_basis)

    def convert(text: str) -> TimeValue:
        try:
            return read(text)
        except ValueError as error:
            raise _Fault(str(error), "time") from None

    return convert


def _numeric(rule: FieldRule, reader_decimal: str) -> Convert:
    decimal = rule.decimal or reader_decimal
    thousands, scale, bounds = rule.thousands, rule.scale, rule.range
    integer = rule.type == "integer"
    factor = None if scale is None else Decimal(repr(scale))
    grouped = re.compile(rf"[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+(?!\d)") if thousands else None

    def convert(text: str) -> int | float:
        number = text
        if grouped is not None and thousands is not None and grouped.match(number):
            number = number.replace(thousands, "")
        if decimal == ",":
            if "." in number:
                raise _Fault("is no number with decimal comma", "number")
            number = number.replace(",", ".")
        value: int | float
        if integer:
            if not _INTEGER(number):
                raise _Fault("is no integer", "number")
            value = int(number)
        else:
            if not _NUMBER(number):
                raise _Fault("is no number" + (" with decimal comma" if decimal == "," else ""), "number")
            value = float(number)
        if factor is not None:
            scaled = Decimal(number) * factor
            value = int(scaled) if integer else float(scaled)
            if integer and value != scaled:
                raise _Fault(f"times {scale} is no integer", "number")
        if value in (float("inf"), float("-inf")):
            raise _Fault("is too large for a number", "number")
        if bounds is not None and not bounds[0] <= value <= bounds[1]:
            raise _Fault(
                f"is outside the plausible range {bounds[0]} to {bounds[1]} {rule.unit or ''}".rstrip(),
                "range",
            )
        return value

    return convert

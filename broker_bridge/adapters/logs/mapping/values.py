"""Fields of a record -> typed values, as closures that are made once for a mapping."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, time
from decimal import Decimal
from operator import itemgetter
from typing import Any, Final, TypeAlias

import re2

from broker_bridge.adapters.logs.mapping.fields import FieldRule
from broker_bridge.adapters.logs.mapping.model import MappingFile, Table
from broker_bridge.adapters.logs.mapping.spans import spanned
from broker_bridge.adapters.logs.mapping.times import TimeValue, clock_reader, date_reader, time_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Value
from broker_bridge.errors import MappingError

Plain = str | int | float | bool | TimeValue | date | time
Typed = Plain | tuple[Plain, ...]
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

    def __init__(self, reason: str, code: str = "field", text: str | None = None) -> None:
        super().__init__(reason)
        self.code = code
        self.text = text


Convert = Callable[[str], Plain | None]
Source: TypeAlias = "Value | tuple[Value, ...]"
"""What stands in a field's column, or in its columns."""

_REMEMBERED: Final = 4096
_LONGEST_REMEMBERED: Final = 200


class _Column(dict[Source, Typed | None]):
    """A field's conversion that remembers: in a file the same few texts come again and again."""

    def __init__(self, convert: Callable[[Source], Typed | None]) -> None:
        super().__init__()
        self._convert = convert

    def take(self, source: Source) -> Typed | None:
        """The value, as a call."""
        return self[source]

    def __missing__(self, source: Source) -> Typed | None:
        value = self._convert(source)
        if len(self) >= _REMEMBERED:
            self.clear()
        if not isinstance(source, str) or len(source) <= _LONGEST_REMEMBERED:
            self[source] = value
        return value


def row_reader(
    rules: Mapping[str, FieldRule], mapping: MappingFile, *, nested: bool
) -> Callable[[NativeRecord], Values]:
    """A function from a record to its typed values; absent ones are left out.

    It raises FieldError, naming line, column, value and reason, for the first value that is not as stated.
    `nested`: columns are paths into fields of fields.
    """
    return _nested_reader(rules, mapping) if nested else _flat_reader(rules, mapping)


def _nested_reader(rules: Mapping[str, FieldRule], mapping: MappingFile) -> Callable[[NativeRecord], Values]:
    fields = [
        (
            name,
            _columns(name, rule),
            [_steps(column) for column in _columns(name, rule)],
            _whole(rule, mapping),
        )
        for name, rule in rules.items()
    ]
    required = _required(rules)

    def read(record: NativeRecord) -> Values:
        values: Values = {}
        for name, columns, paths, convert in fields:
            found = [_walk(record.fields, path) for path in paths]
            try:
                value = convert(found[0] if len(found) == 1 else tuple(found))
            except _Fault as fault:
                raise _field_error(record, name, columns[0], fault, found[0]) from None
            if value is not None:
                values[name] = value
        _check_required(record, values, required)
        return values

    return read


def _steps(column: str) -> tuple[str, ...]:
    return tuple(column.split("."))


def _walk(fields: Mapping[str, Value], path: tuple[str, ...]) -> Value:
    """What stands at a path: keys of objects, numbers (from 0) of list elements. None where nothing does."""
    at: Any = fields
    for step in path:
        if isinstance(at, Mapping):
            at = at.get(step)
        elif isinstance(at, list) and step.isdecimal() and int(step) < len(at):
            at = at[int(step)]
        else:
            return None
    found: Value = at
    return found


def _check_required(record: NativeRecord, values: Values, required: Mapping[str, FieldRule]) -> None:
    if required.keys() <= values.keys():
        return
    name, rule = next((name, rule) for name, rule in required.items() if name not in values)
    place = record.place(_columns(name, rule)[0])
    raise FieldError(f"{name} is absent, but required", place, None, "required")


def _required(rules: Mapping[str, FieldRule]) -> dict[str, FieldRule]:
    return {name: rule for name, rule in rules.items() if rule.required}


def _flat_reader(rules: Mapping[str, FieldRule], mapping: MappingFile) -> Callable[[NativeRecord], Values]:
    # What one text gives is remembered; lists are not, since what is nested cannot be a key.
    simple = {name: rule for name, rule in rules.items() if len(rule.columns) < 2 and rule.list is None}
    single = [
        (name, _columns(name, rule)[0], _Column(_whole(rule, mapping))) for name, rule in simple.items()
    ]
    names = [name for name, _, _ in single]
    converted = [column for _, _, column in single]
    pick = _picker([column for _, column, _ in single])
    several = [
        (
            name,
            _columns(name, rule),
            _whole(rule, mapping) if rule.list else _Column(_whole(rule, mapping)).take,
        )
        for name, rule in rules.items()
        if name not in simple
    ]
    required = _required(rules)

    def read(record: NativeRecord) -> Values:
        fields = record.fields
        try:
            typed = [column[source] for column, source in zip(converted, pick(fields), strict=True)]
            values: Values = dict(zip(names, typed, strict=True))  # type: ignore[arg-type] # None goes out below
            if None in typed:
                values = {name: value for name, value in values.items() if value is not None}
            for name, columns, convert in several:
                found = [fields[each] for each in columns]
                value = convert(found[0] if len(found) == 1 else tuple(found))
                if value is not None:
                    values[name] = value
        except (KeyError, TypeError, _Fault) as error:
            return refuse(record, error)
        if required:
            _check_required(record, values, required)
        return values

    def refuse(record: NativeRecord, error: Exception) -> Values:
        """Find what is wrong, field by field; where only a column is missing that may be, read on without it."""
        if isinstance(error, KeyError) and (not record.columns or error.args[0] in record.columns):
            return read(_padded(record))
        steps = [(name, (column,), convert.take) for name, column, convert in single] + several
        for name, columns, convert in steps:
            try:
                found = [record.fields[each] for each in columns]
                convert(found[0] if len(found) == 1 else tuple(found))
            except KeyError as missing:
                raise _column_missing(record, name, missing.args[0]) from None
            except _Fault as fault:
                raise _field_error(record, name, columns[0], fault) from None
            except TypeError:
                # What cannot be a key of a dictionary is a list or an object.
                several_texts = _Fault("is not one text but several", "nested")
                raise _field_error(record, name, columns[0], several_texts) from None
        raise error

    def _padded(record: NativeRecord) -> NativeRecord:
        # Blocks of pairs, nested records and short rows may lack a column: it is absent there.
        padded = dict.fromkeys(column for name, rule in rules.items() for column in _columns(name, rule))
        return replace(record, fields={**padded, **record.fields}, columns=())

    return read


def _picker(columns: Sequence[str]) -> Callable[[Mapping[str, Value]], Sequence[Value]]:
    """A function that takes what stands in these columns. Raises KeyError for one that is not there."""
    if len(columns) > 1:
        return itemgetter(*columns)
    return lambda fields: [fields[column] for column in columns]


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
    record: NativeRecord, name: str, column: str, fault: _Fault, source: Value = None
) -> FieldError:
    found = fault.text if fault.text is not None else str(source or record.fields.get(column))
    return FieldError(f"{name}: {found[:80]!r} {fault}", record.place(column), found, fault.code)


def _whole(rule: FieldRule, mapping: MappingFile) -> Callable[[Source], Typed | None]:
    """The whole way from what stands in the columns to the typed value."""
    if rule.list is not None:
        return _lister(rule, rule.list, mapping)
    trim, absent, sign = rule.trim, frozenset(rule.absent), rule.join
    convert = _converter([*_cutters(rule), *_typers(rule, mapping)])

    def whole(source: Source) -> Typed | None:
        parts = []
        for part in source if isinstance(source, tuple) else (source,):
            if part is None:
                return None
            if not isinstance(part, str):
                raise _Fault("is not one text but several", "nested")
            part = part.strip() if trim else part
            if part in absent:
                return None
            parts.append(part)
        text = sign.join(parts)
        if convert is None:
            return text
        try:
            return convert(text)
        except _Fault as fault:
            fault.text = text
            raise

    return whole


def _lister(rule: FieldRule, sign: str, mapping: MappingFile) -> Callable[[Source], Typed | None]:
    """The whole way from what stands in the columns to a list of typed values."""
    trim, absent, span = rule.trim, frozenset(rule.absent), rule.span
    cut = _converter(_cutters(rule))
    convert = _converter(_typers(rule, mapping))

    def texts(source: Source) -> Iterator[str]:
        for part in source if isinstance(source, (tuple, list)) else (source,):
            if part is None:
                continue
            if not isinstance(part, str):
                raise _Fault("is a list whose items are no texts", "nested")
            whole = part.strip() if trim else part
            if whole in absent:
                continue
            if cut is not None:
                text = cut(whole)
                if text is None:
                    continue
                whole = str(text)
            # What is nested was a list before it came here: its items are not cut again.
            for item in (whole,) if isinstance(source, list) else whole.split(sign):
                item = item.strip() if trim else item
                if item not in absent:
                    yield item

    def listed(source: Source) -> Typed | None:
        items: list[Plain] = []
        text = ""
        try:
            for text in texts(source):
                for one in spanned(text, span) if span is not None else (text,):
                    value = one if convert is None else convert(one)
                    if value is not None:
                        items.append(value)
        except _Fault as fault:
            fault.text = text or str(source)
            raise
        except ValueError as error:
            raise _Fault(str(error), "span", text) from None
        return tuple(items) or None

    return listed


def _cutters(rule: FieldRule) -> list[Convert]:
    """Match and split: what takes a part of the text."""
    steps: list[Convert] = []
    if rule.match is not None:
        steps.append(_matcher(rule.match))
    if rule.split is not None:
        steps.append(_splitter(rule.split, rule.part))
    if steps:
        steps.append(_absenter(frozenset(rule.absent)))
    return steps


def _typers(rule: FieldRule, mapping: MappingFile) -> list[Convert]:
    """Table and type: what gives a text its meaning."""
    steps: list[Convert] = []
    if rule.table is not None:
        steps.append(_translator(mapping.tables[rule.table], rule.table))
    typed = _typer(rule, mapping)
    if typed is not None:
        steps.append(typed)
    return steps


def _converter(steps: list[Convert]) -> Convert | None:
    if not steps:
        return None
    return steps[0] if len(steps) == 1 else _chained(steps)


def _chained(steps: list[Convert]) -> Convert:
    first, *others = steps

    def convert(text: str) -> Plain | None:
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
    fold = table.case == "ignore"
    words = {word.casefold() if fold else word: meaning for word, meaning in table.values.items()}

    def translate(text: str) -> str | None:
        meaning = words.get(text.casefold() if fold else text)
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
        case "date":
            return _half(date_reader(rule.format or ""))
        case "clock":
            return _half(clock_reader(rule.format or ""))
        case "integer" | "number":
            return _numeric(rule, mapping.reader.decimal)


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
    zone = rule.zone or mapping.zone
    read = time_reader(rule.format, rule.means, zone, "configured" if rule.zone else mapping.zone_basis)

    def convert(text: str) -> TimeValue:
        try:
            return read(text)
        except ValueError as error:
            raise _Fault(str(error), "time") from None

    return convert


def _half(read: Callable[[str], date | time]) -> Convert:
    def convert(text: str) -> date | time:
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

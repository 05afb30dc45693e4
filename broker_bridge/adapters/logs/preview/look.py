"""What a suggested reader finds in samples: kinds of record, their columns, and what it refuses."""

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final, NamedTuple

import orjson
from pydantic import TypeAdapter, ValidationError

from broker_bridge.adapters.logs.preview.clock import Clock, clock_of
from broker_bridge.adapters.logs.preview.columns import NOTHING, Column, column_of
from broker_bridge.adapters.logs.protocol.readers import AnyReader, open_reader
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused, Signal

WHOLE: Final = frozenset({"json", "xml"})
"""Kinds of reader whose content can only be looked at as a whole."""
_MOST_RECORDS: Final = 20_000
_MOST_FIELDS: Final = 80
_READERS: Final[TypeAdapter[Any]] = TypeAdapter(AnyReader)


class Kind(NamedTuple):
    """One kind of record in the samples."""

    kind: str
    records: int
    files: int
    columns: tuple[Column, ...]
    joined: tuple[tuple[str, str, Clock], ...]
    """Date and time in two columns that together are a time."""


def look(
    samples: Sequence[tuple[str, bytes]], settings: dict[str, Any], most: int
) -> tuple[list[Kind], tuple[int, str]]:
    """What the reader finds in the samples: columns by kind, and how much it refuses."""
    try:
        reader_settings = _READERS.validate_json(orjson.dumps(settings), strict=True)
    except (ValidationError, TypeError):
        return [], (0, "")
    values: dict[str, dict[str, list[str | None]]] = {}
    counts: dict[str, int] = {}
    files: dict[str, set[str]] = {}
    refused, reason = 0, ""
    for name, content in samples:
        part = content if settings["kind"] in WHOLE else content[:most]
        for item in _records(reader_settings, part):
            if isinstance(item, Refused):
                refused, reason = refused + 1, reason or f"{item.place}: {item.reason}"
                continue
            number = counts[item.kind] = counts.get(item.kind, 0) + 1
            if number > _MOST_RECORDS:
                continue
            files.setdefault(item.kind, set()).add(name)
            columns = values.setdefault(item.kind, {})
            for column, text in _flat(item.fields, "", 0):
                column_values = columns.setdefault(column, [])
                column_values += [None] * (number - 1 - len(column_values))
                column_values.append(text)
    order = [one["kind"] for one in settings["records"]]
    kinds = [
        _kind_of(kind, counts[kind], len(files[kind]), values[kind])
        for kind in sorted(counts, key=lambda kind: order.index(kind) if kind in order else 99)
    ]
    return kinds, (refused, reason)


def _kind_of(kind: str, records: int, files: int, values: dict[str, list[str | None]]) -> Kind:
    seen = min(records, _MOST_RECORDS)
    columns = tuple(
        column_of(name, texts + [None] * (seen - len(texts)))
        for name, texts in list(values.items())[:_MOST_FIELDS]
    )
    joined = []
    names = list(values)
    for date, time in pairwise(names):
        if re.search(r"date|day", date, re.IGNORECASE) and re.search(r"time|hour", time, re.IGNORECASE):
            texts = [
                f"{a.strip()} {b.strip()}"
                for a, b in zip(values[date], values[time], strict=False)
                if a and b and a.strip().casefold() not in NOTHING
            ]
            clock = clock_of(list(dict.fromkeys(texts)))
            if clock is not None:
                joined.append((date, time, clock))
    return Kind(kind, records, files, columns, tuple(joined))


def _records(settings: Any, content: bytes) -> Iterator[NativeRecord | Refused]:
    reader = open_reader(settings)
    for at in range(0, len(content), 65_536):
        reader.receive_data(content[at : at + 65_536])
        while not isinstance(item := reader.next_record(), Signal):
            yield item
    reader.receive_data(b"")
    while not isinstance(item := reader.next_record(), Signal):
        yield item


def _flat(value: Any, path: str, depth: int) -> Iterator[tuple[str, str | None]]:
    """Columns and texts of a record; paths into objects, lists left out."""
    for key, inner in value.items():
        below = f"{path}.{key}" if path else key
        if key == "^" or (depth and "." in key):
            continue
        if isinstance(inner, dict):
            if depth < 4:
                yield from _flat(inner, below, depth + 1)
        elif inner is None or isinstance(inner, str):
            yield below, inner

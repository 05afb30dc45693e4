"""CSV tables of master data, told apart by their columns; rows of one thing and date are one declaration."""

import csv
import io
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, NamedTuple

from broker_bridge.errors import MappingError

Cells = Mapping[str, str]
Entry = tuple[str, str, str, Mapping[str, Any], int, str]
_TOLD: Final = 20


class _Kind(NamedTuple):
    """One kind of table."""

    type: str
    aspect: str
    own: str
    """The column that only this kind has, next to `subject`."""
    subject: str
    texts: tuple[str, ...]
    numbers: tuple[str, ...]
    whole: tuple[str, ...]
    """Columns of whole numbers."""


_KINDS: Final = (
    _Kind(
        "line.part_declared", "placement", "designator", "part",
        ("revision", "component", "component_revision", "side"), ("x_mm", "y_mm", "rotation_deg"), ("terminations",),
    ),
    _Kind("line.part_declared", "positions", "position", "part", ("revision",), ("x_mm", "y_mm", "rotation_deg"), ()),
    _Kind(
        "line.part_declared", "limits", "name", "part", ("revision", "unit", "designator", "pad"),
        ("lower", "upper", "nominal"), (),
    ),
    _Kind(
        "line.declared", "stations", "station", "line", ("part", "side", "equipment", "kind", "next", "optional"), (),
        ("lanes", "buffer"),
    ),
    _Kind(
        "material.declared", "master data", "material", "material",
        ("description", "kind", "maker", "maker_part", "alternates", "moisture_level", "unit"),
        ("floor_life_h", "shelf_life_d"), (),
    ),
)  # fmt: skip


def read_table(name: str, text: str) -> Iterator[Entry]:
    """The declarations of a table: comma, semicolon or tab between cells, names of columns in the first line.

    Raises MappingError with file, line, column and value of everything that cannot be read.
    """
    head = text.partition("\n")[0]
    delimiter = max(",;\t", key=head.count)
    rows = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    try:
        columns = [column.strip().lower() for column in next(rows, [])]
        kind = _kind(name, columns)
        groups: dict[tuple[str, ...], list[tuple[int, Cells]]] = {}
        for cells in rows:
            if any(cell.strip() for cell in cells):
                if len(cells) != len(columns):
                    raise MappingError(
                        f"{name}:{rows.line_num}: {len(cells)} cells under {len(columns)} columns", name
                    )
                row = dict(zip(columns, (cell.strip() for cell in cells), strict=True))
                key = tuple(row.get(word, "") for word in (kind.subject, *_OF[kind.aspect], "valid_from"))
                groups.setdefault(key, []).append((rows.line_num, row))
    except csv.Error as error:
        raise MappingError(f"{name}:{rows.line_num}: is no CSV: {error}", name) from None
    wrong: list[str] = []
    found = [_entry(name, kind, numbered, wrong) for numbered in groups.values()]
    if wrong:
        raise MappingError("\n".join(wrong[:_TOLD]), name)
    yield from found


_OF: Final[Mapping[str, tuple[str, ...]]] = {
    "placement": ("revision",), "positions": ("revision",), "limits": ("revision",), "stations": ("part", "side"),
    "master data": (),
}  # fmt: skip
"""What else tells one thing from another."""


def _kind(name: str, columns: list[str]) -> _Kind:
    found = [kind for kind in _KINDS if {kind.own, kind.subject} <= set(columns)]
    if not found:
        known = "; ".join(f"{kind.subject}, {kind.own}" for kind in _KINDS)
        raise MappingError(
            f"{name}:1: no table is known by the columns {', '.join(columns)}; there have to be {known}", name
        )
    kind = found[0]
    allowed = {kind.own, kind.subject, "valid_from", *kind.texts, *kind.numbers, *kind.whole}
    for column in columns:
        if column not in allowed:
            raise MappingError(
                f"{name}:1: column {column!r} is not known; a table of {kind.aspect} may have {', '.join(sorted(allowed))}",
                name,
            )
        if columns.count(column) > 1:
            raise MappingError(f"{name}:1: column {column!r} stands twice", name)
    return kind


def _entry(name: str, kind: _Kind, numbered: list[tuple[int, Cells]], wrong: list[str]) -> Entry:
    line, first = numbered[0]
    rows = [_values(name, kind, number, row, wrong) for number, row in numbered]
    since = {"valid_from": first["valid_from"]} if first.get("valid_from") else {}
    more = _MAKERS[kind.aspect](first, rows)
    words = [kind.subject, first[kind.subject]]
    for word in _OF[kind.aspect]:
        if first.get(word):
            words += [first[word]] if word == "revision" else [word, first[word]]
    subject = " ".join(words)
    return kind.type, subject, kind.aspect, {**since, **more}, len(rows), f"{name}:{line}"


def _values(name: str, kind: _Kind, line: int, row: Cells, wrong: list[str]) -> dict[str, Any]:
    """The cells that are not empty, numbers as numbers."""
    found: dict[str, Any] = {}
    for column, cell in row.items():
        if not cell:
            if column in (kind.own, kind.subject):
                wrong.append(f"{name}:{line}: column {column!r} is empty")
            continue
        if column in kind.numbers or column in kind.whole:
            try:
                found[column] = int(cell) if column in kind.whole else float(cell)
            except ValueError:
                what = "whole number" if column in kind.whole else "number with a decimal point"
                wrong.append(f"{name}:{line}: column {column!r} = {cell!r} is no {what}")
        else:
            found[column] = cell
    return found


def _part(first: Cells) -> dict[str, Any]:
    return {
        "part": {
            "number": first["part"],
            **({"revision": first["revision"]} if first.get("revision") else {}),
        }
    }


def _placement(first: Cells, rows: list[dict[str, Any]]) -> dict[str, Any]:
    spots: list[dict[str, Any]] = []
    for row in rows:
        spot: dict[str, Any] = {
            word: row[word]
            for word in ("x_mm", "y_mm", "rotation_deg", "side", "terminations")
            if word in row
        }
        if "component" in row:
            spot["part"] = {"number": row["component"]}
            if "component_revision" in row:
                spot["part"]["revision"] = row["component_revision"]
        spots.append({"name": row.get("designator"), **spot})
    return {**_part(first), "placement": spots}


def _positions(first: Cells, rows: list[dict[str, Any]]) -> dict[str, Any]:
    words = ("x_mm", "y_mm", "rotation_deg")
    spots = [
        {"name": row.get("position"), **{word: row[word] for word in words if word in row}} for row in rows
    ]
    return {**_part(first), "positions": spots}


def _limits(first: Cells, rows: list[dict[str, Any]]) -> dict[str, Any]:
    found: list[dict[str, Any]] = []
    for row in rows:
        place = {word: row[word] for word in ("designator", "pad") if word in row}
        limit: dict[str, Any] = {
            word: row[word] for word in ("name", "unit", "lower", "upper", "nominal") if word in row
        }
        found.append({**limit, **({"place": place} if place else {})})
    return {**_part(first), "limits": found}


def _stations(first: Cells, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Stations in the order of their first rows; a station with several rows has a link for each."""
    stations: dict[str, dict[str, Any]] = {}
    for row in rows:
        station = stations.setdefault(row.get("station", ""), {"name": row.get("station"), "links": []})
        station.update({word: row[word] for word in ("equipment", "kind", "lanes") if word in row})
        if "optional" in row:
            station["optional"] = {"yes": True, "true": True, "no": False, "false": False}.get(
                row["optional"].lower(), row["optional"]
            )
        if "next" in row:
            station["links"].append(
                {"to": row["next"], **({"buffer": row["buffer"]} if "buffer" in row else {})}
            )
    said: dict[str, Any] = {"line": first["line"], "stations": list(stations.values())}
    if first.get("part"):
        said["part"] = {"number": first["part"]}
    if first.get("side"):
        said["side"] = first["side"]
    return said


def _material(first: Cells, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """One row a maker; what else is told stands in the first row that tells it."""
    said: dict[str, Any] = {"number": first["material"]}
    for row in reversed(rows):
        words = ("description", "kind", "moisture_level", "floor_life_h", "shelf_life_d", "unit")
        said |= {word: row[word] for word in words if word in row}
        if "alternates" in row:
            said["alternates"] = row["alternates"].split()
    said["makers"] = [
        {word: row[word] for word in ("maker", "maker_part") if word in row} for row in rows if "maker" in row
    ]
    return said


_MAKERS: Final[Mapping[str, Callable[[Cells, list[dict[str, Any]]], dict[str, Any]]]] = {
    "placement": _placement, "positions": _positions, "limits": _limits, "stations": _stations, "master data": _material,
}  # fmt: skip

"""Rows of pads -> one block of columns."""

from collections.abc import Callable, Sequence
from typing import Any, Final

from broker_bridge.adapters.logs.mapping.model import Block
from broker_bridge.adapters.logs.mapping.scope import (
    Getter,
    HeldField,
    Names,
    Row,
    RowField,
    Scope,
    selection,
)
from broker_bridge.adapters.logs.mapping.values import FieldError
from broker_bridge.events.columns import MAX_VALUES, block_hash, pack_numbers, pack_texts
from broker_bridge.events.reading import Column

_EXACT: Final = 2**53

Blocks = Callable[[Scope], dict[str, Any] | None]


def block_builder(rule: Block, names: Names) -> Blocks:
    """A function from a scope to the block's fields (pads, columns, block); None where there is no row.

    Raises ValueError saying what is wrong with the rule.
    """
    if rule.each not in names.fields:
        raise ValueError(f"there is no record kind {rule.each!r}")
    select = selection(rule, rule.each, names)
    inside = names.inside(rule.each)
    packers = []
    for column, reference in rule.columns.items():
        if not reference.startswith("$"):
            raise ValueError(f"{column} = {reference!r}: a column of a block is a field, written $name")
        get, field = inside.find(reference)
        if field.type not in ("text", "integer", "number"):
            raise ValueError(f"{column} = {reference!r}: a {field.type} cannot be a column of a block")
        packers.append((column, get, field.type, field.unit))

    def build(scope: Scope) -> dict[str, Any] | None:
        rows = select(scope)
        if not rows:
            return None
        if len(rows) > MAX_VALUES:
            raise FieldError(
                f"a block of {len(rows):,} rows; at most {MAX_VALUES:,} go into one", "", None, "range"
            )
        columns = [_packed(column, get, kind, unit, rows, scope) for column, get, kind, unit in packers]
        return {"pads": len(rows), "columns": columns, "block": block_hash(columns)}

    return build


def _packed(
    name: str, get: Getter, kind: str, unit: str | None, rows: Sequence[Row], around: Scope
) -> Column:
    values = _values(get, rows, around)
    if kind == "integer" and any(abs(value) > _EXACT for value in values if value is not None):
        raise FieldError(
            f"column {name} holds numbers beyond 2^53, which a block cannot keep exactly", "", None, "range"
        )
    return pack_numbers(name, values, unit) if kind != "text" else pack_texts(name, values)


def _values(get: Getter, rows: Sequence[Row], around: Scope) -> list[Any]:
    """One value a row: a column at once where it is the rows' own, once for each header where it is the header's."""
    if isinstance(get, RowField):
        field = get.name
        return [row.values.get(field) for row in rows]
    if not isinstance(get, HeldField):
        return [get(Scope(around.group, row, around, around.flags)) for row in rows]
    values: list[Any] = []
    held, value = None, None
    for row in rows:
        if row.held is not held:
            held, value = row.held, get(Scope(around.group, row, around, around.flags))
        values.append(value)
    return values

"""An `[[event]]` section -> a function that makes its events from a group of records."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from broker_bridge.adapters.logs.mapping.load import Source
from broker_bridge.adapters.logs.mapping.model import EventRule, MappingFile, Positions
from broker_bridge.adapters.logs.mapping.paste import block_builder
from broker_bridge.adapters.logs.mapping.scope import Getter, Group, Names, Row, Scope, row_filter
from broker_bridge.adapters.logs.mapping.template import Templates
from broker_bridge.adapters.logs.mapping.times import TimeValue
from broker_bridge.adapters.logs.mapping.values import FieldError
from broker_bridge.events.base import Data
from broker_bridge.events.union import DATA_TYPES, explain


@dataclass(slots=True)
class Draft:
    """An event's data before its origin is known. Treat as frozen; freezing doubles the price of making one."""

    rule: int
    type: type[Data]
    data: dict[str, Any]
    time: TimeValue
    flags: tuple[str, ...]
    row: Row | None
    states_station: bool
    """The mapping speaks of the station; if not, the configured one holds."""


Drafts = Callable[[Group, Row | None], Iterator[Draft]]


def event_maker(number: int, rule: EventRule, mapping: MappingFile, source: Source, names: Names) -> Drafts:
    """The function that makes the events of one rule for a group, or for one record of it.

    Raises ConfigError naming the mapping's line when the rule does not fit the schema or the fields.
    """
    where = ("event", number)
    model = DATA_TYPES[rule.type]
    if rule.each is not None:
        if rule.each not in names.fields or rule.each == "file":
            raise source.error((*where, "each"), f"there is no record kind {rule.each!r}")
        names = names.inside(rule.each)
    elif names.single:
        raise source.error(where, 'without groups every event needs `each = "<kind>"`')
    takes_block = "block" in model.model_fields and "pads" in model.model_fields
    if takes_block != (rule.block is not None):
        raise source.error(where, f"[event.block] goes with reading.paste_measured, not with {rule.type}"
                           if rule.block else f"{rule.type} needs [event.block]")  # fmt: skip
    for name in rule.needs:
        if name not in rule.data:
            raise source.error((*where, "needs"), f"{name!r} is not in this event's data")
    build = Templates(mapping, source).object(rule.data, model, names, (*where, "data"))
    try:
        accept = row_filter(rule, names, rule.each)
    except ValueError as error:
        raise source.error(where, str(error)) from None
    try:
        block = block_builder(rule.block, names) if rule.block is not None else None
    except ValueError as error:
        raise source.error((*where, "block"), str(error)) from None
    time_of = _time_getter(rule, source, where, names)
    positions = _position_tables(mapping.positions)
    states_station = bool({"station", "candidates"} & rule.data.keys())

    def make(scope: Scope) -> Draft | None:
        if accept is not None and not accept(scope):
            return None
        data = build(scope) or {}
        if any(name not in data for name in rule.needs):
            return None
        if block is not None:
            columns = block(scope)
            if columns is None:
                return None
            data.update(columns)
        time = time_of(scope)
        if positions and "boards" in data:
            _number_positions(data, positions)
        return Draft(number, model, data, time, (*time.flags, *scope.flags), scope.row, states_station)

    def drafts(group: Group, row: Row | None) -> Iterator[Draft]:
        draft = make(Scope(group, row, None, set()))
        if draft is not None:
            yield draft

    def all_drafts(group: Group, row: Row | None) -> Iterator[Draft]:
        for each in group.rows.get(rule.each or "", ()):
            yield from drafts(group, each)

    return drafts if names.single or rule.each is None else all_drafts


def _time_getter(
    rule: EventRule, source: Source, where: tuple[str | int, ...], names: Names
) -> Callable[[Scope], TimeValue]:
    getters: list[Getter] = []
    for text in rule.time:
        try:
            if not text.startswith("$"):
                raise ValueError(f"{text!r}: the time of an event is a field, written $name ($file.modified where the"
                                 " records state none)")  # fmt: skip
            get, field = names.find(text)
        except ValueError as error:
            raise source.error((*where, "time"), str(error)) from None
        if field.type != "time":
            raise source.error((*where, "time"), f"{text} is declared as {field.type}, not as time")
        getters.append(get)
    told = " and ".join(rule.time)

    def time_of(scope: Scope) -> TimeValue:
        for get in getters:
            value = get(scope)
            if isinstance(value, TimeValue):
                return value
        place = f"line {scope.row.record.line}" if scope.row is not None else ""
        raise FieldError(
            f"{told} {'are' if len(getters) > 1 else 'is'} absent; an event needs a time", place, None, "time"
        )

    return time_of


def _position_tables(
    positions: tuple[Positions, ...],
) -> Mapping[tuple[str | None, str | None], Mapping[str, int]]:
    return {(table.part, table.side): table.order for table in positions}


def _number_positions(
    data: dict[str, Any], tables: Mapping[tuple[str | None, str | None], Mapping[str, int]]
) -> None:
    """Give the plant's position for the machine's, where the mapping has a table for this part and side."""
    part = (data.get("part") or {}).get("number")
    side = data.get("side")
    order = next(
        (tables[key] for key in ((part, side), (part, None), (None, side), (None, None)) if key in tables),
        None,
    )
    if order is None:
        return
    for board in data["boards"]:
        number = board.pop("machine_position", None)
        if number is None:
            continue
        if number not in order:
            raise FieldError(
                f"position {number!r} is not in the machine's order for part {part}, side {side}:"
                f" {', '.join(order)}", "", number, "position",
            )  # fmt: skip
        board["position"] = order[number]


def checked(draft: Draft, data: dict[str, Any]) -> Data:
    """The event's data as the schema has it. Raises FieldError telling what does not fit."""
    try:
        return draft.type(**data)
    except ValidationError as error:
        line = f"line {draft.row.record.line}" if draft.row is not None else ""
        finding = error.errors(include_url=False)[0]
        raise FieldError(
            f"the event {draft.type.TYPE} would not be valid: {explain(error)}", line,
            str(finding["input"])[:256], "schema",
        ) from None  # fmt: skip

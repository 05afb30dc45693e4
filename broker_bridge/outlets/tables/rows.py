"""Pure: what the tables' rows are made of. A row is a mapping from column to value; what is absent is not stated."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import orjson

from broker_bridge.errors import WireError
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.tables.dictionary import MEASURANDS
from broker_bridge.projector.days import Carry, Passage, Thing
from broker_bridge.queries.columns import Columns
from broker_bridge.queries.quality_looks import outcomes
from broker_bridge.trace.listing import Row as Called

Row = dict[str, Any]

PASTE: Final = "reading.paste_measured"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def event(fact: Fact) -> Row:
    """The row of an event; `holds` is the writer's to set."""
    data = fact.data
    if fact.type == PASTE:
        data = {name: value for name, value in data.items() if name != "columns"}
    return {
        "number": fact.number,
        "commit": fact.commit,
        "source": fact.source,
        "id": fact.id,
        "holds": True,
        "type": fact.type,
        "time": _time(fact.time),
        "line": _line(fact.source),
        "station": data.get("station"),
        "equipment": data.get("equipment"),
        "lane": data.get("lane"),
        "side": data.get("side"),
        "boards": _names(data),
        "part": (data.get("part") or {}).get("number"),
        "order": data.get("order"),
        "flags": list((data.get("origin") or {}).get("flags") or ()),
        "data": orjson.dumps(data).decode(),
    }


def pads(fact: Fact) -> Iterator[Row]:
    """One row for each pad of a paste block. Raises WireError when its columns cannot be unpacked."""
    from broker_bridge.events.columns import unpack_numbers, unpack_texts
    from broker_bridge.events.reading import Column

    data = fact.data
    columns: dict[str, Sequence[Any]] = {}
    units: dict[str, str] = {}
    for stated in data["columns"]:
        column = Column.model_validate(stated)
        if column.encoding == "text":
            columns[column.name] = unpack_texts(column)
        else:
            columns[column.name] = [
                None if value != value else value for value in unpack_numbers(column).tolist()
            ]
        if column.unit:
            units[column.name] = column.unit
        if len(columns[column.name]) != data["pads"]:
            raise WireError(
                f"column {column.name} holds {len(columns[column.name])} values for {data['pads']} pads"
            )
    boards = list(data.get("boards") or ())
    same: Row = {
        "number": fact.number,
        "source": fact.source,
        "id": fact.id,
        "time": _time(fact.time),
        "line": _line(fact.source),
        "station": data.get("station"),
        "boards": _names(data),
        "board_position": boards[0].get("position") if len(boards) == 1 else None,
        "part": (data.get("part") or {}).get("number"),
        "side": data.get("side"),
        "program": (data.get("program") or {}).get("name"),
        **{f"{name}_unit": units.get(name) for name in MEASURANDS},
    }
    numbers = [f"{name}{end}" for name in MEASURANDS for end in ("", "_lower", "_upper")]
    for place in range(data["pads"]):
        row = {**same, "pad_no": place + 1}
        for name in numbers:
            if name in columns:
                row[name] = columns[name][place]
        for name in ("designator", "termination", "pad", "outcome"):
            if name in columns:
                row[name] = _text(columns[name][place])
        yield row


def visit(passage: Passage) -> Row:
    """The row of a visit."""
    return {
        **_board(passage.thing),
        "visit": passage.visit + 1,
        "line": passage.line,
        "station": passage.station,
        "equipment": passage.equipment,
        "lane": passage.lane,
        "side": passage.side,
        "pass": passage.pass_,
        "arrived": _at(passage.since),
        "departed": _at(passage.until),
        "departed_by": _at(passage.latest),
        "program": passage.program,
        "program_revision": passage.program_revision,
        "outcome": passage.outcome,
        "certainty": passage.certainty,
        "probability": passage.probability,
        "reason": passage.why,
    }


def materials(carries: Sequence[Carry]) -> Iterator[Row]:
    """The rows of the uses of one day."""
    count: dict[tuple[str, str, int], int] = {}
    for carry in carries:
        key = carry.thing.kind, carry.thing.value, carry.thing.position
        count[key] = count.get(key, 0) + 1
        said, tool = carry.said, carry.kind == "tool"
        yield {
            **_board(carry.thing),
            "use_no": count[key],
            "kind": carry.kind,
            "act": said.get("act"),
            "since": _at(carry.since),
            "until": _at(carry.until),
            "carries_now": carry.now,
            "station": said.get("station"),
            "side": said.get("side"),
            "slot": said.get("slot"),
            "component": said.get("part"),
            "container": None if tool else said.get("id"),
            "parent": said.get("parent"),
            "lots": list(said.get("lots") or ()),
            **{name: said.get(name) for name in ("date_code", "maker", "maker_part", "supplier", "receipt")},
            "feeder": said.get("feeder"),
            "nozzle": said.get("nozzle"),
            "designators": list(said.get("places") or ()),
            "one_of": said.get("one_of"),
            "exceeded": said.get("exceeded"),
            "tool_kind": said.get("kind") if tool else None,
            "tool": said.get("id") if tool else None,
            "certainty": carry.certainty,
            "probability": carry.probability,
            "reason": carry.why,
        }


def defects(called: Sequence[Called]) -> Iterator[Row]:
    """The rows of what was called on one day."""
    count: dict[tuple[str, str, int], int] = {}
    for one in called:
        key = one.board.kind, one.board.value, one.board.position or 0
        count[key] = count.get(key, 0) + 1
        yield {
            "board_kind": key[0],
            "board": key[1],
            "board_position": key[2],
            "defect_no": count[key],
            **{
                name: getattr(one, name)
                for name in (
                    "panel", "position", "part", "order", "purpose", "designator", "termination", "pad", "side", "paste",
                    "defect", "line", "station", "called", "confirmed", "state", "reworked", "looked_again", "certainty",
                )
            },
            "escaped": list(one.escaped),
            "left_with_it": list(one.left),
        }  # fmt: skip


def inspections(columns: Columns) -> Iterator[Row]:
    """The rows of all inspections and tests, in order of time."""
    looks, boards = columns.looks, columns.boards
    texts = {
        name: looks.texts(name)
        for name in ("station", "line", "equipment", "side", "method", "part", "program", "revision", "order", "outcome")
    }  # fmt: skip
    reviewed = outcomes(columns, "reviewed").said
    numbers = {name: looks.column(name).tolist() for name in ("board", "began", "ended", "attempt")}
    for place in range(len(looks)):
        board = numbers["board"][place]
        yield {
            "board_key": boards.key(board),
            "panel": boards.panel(board),
            "position": boards.position(board),
            "part": texts["part"][place] or boards.part[board],
            "order": texts["order"][place] or boards.order[board],
            "purpose": boards.purpose[board],
            **{name: texts[name][place] for name in ("line", "station", "equipment", "side", "method", "program")},
            "program_revision": texts["revision"][place],
            "began": _at(numbers["began"][place]),
            "ended": _at(numbers["ended"][place]),
            "attempt": numbers["attempt"][place],
            "outcome": texts["outcome"][place],
            "reviewed": reviewed[place],
            "in_doubt": board in boards.doubtful,
            "crossed_out": board in boards.crossed_out,
        }  # fmt: skip


def day_of(time: datetime) -> int:
    """The day since 1970, UTC."""
    return (time - _EPOCH) // timedelta(days=1)


def day_text(day: int) -> str:
    """2026-03-02."""
    return f"{(_EPOCH + timedelta(days=day)):%Y-%m-%d}"


def _board(thing: Thing) -> Row:
    return {
        "board_kind": thing.kind,
        "board": thing.value,
        "board_position": thing.position,
        "unit": thing.unit,
        "panel": thing.panel,
        "position": thing.panel_position,
        "part": thing.part,
        "part_revision": thing.revision,
        "orders": list(thing.work_orders),
        "purpose": thing.purpose,
    }


def _names(data: Mapping[str, Any]) -> list[str]:
    found: dict[str, None] = {}
    for board in data.get("boards") or ():
        for name in (*(board.get("identifiers") or ()), *([board["panel"]] if board.get("panel") else ())):
            found[f"{name['kind']}={name['value']}"] = None
    return list(found)


def _text(value: Any) -> str | None:
    return f"{value:g}" if isinstance(value, float) else value


def _line(source: str) -> str:
    return source.rpartition("/")[0]


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _at(microseconds: int | None) -> datetime | None:
    return None if microseconds is None else _EPOCH + timedelta(microseconds=microseconds)

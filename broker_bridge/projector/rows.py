"""Pure: what a history adds to the derived tables (schema)."""

import json
from collections.abc import Iterator
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.projector.entries import microseconds, reach
from broker_bridge.trace import listing
from broker_bridge.trace.balance import course
from broker_bridge.trace.history import Made
from broker_bridge.trace.inspections import Place
from broker_bridge.trace.plain import plain
from broker_bridge.trace.uses import Material, Tool
from broker_bridge.trace.visits import Stray
from broker_bridge.trace.whereabouts import whereabouts

Row = tuple[object, ...]

PER_BOARD: Final = frozenset({"time", "ended", "evidence"})
"""Fields of a use that are not part of the words it is told in."""


class Use(NamedTuple):
    """One use of material or of a tool, and since when and until when this board has it."""

    shared: Row
    """kind, station, side, slot, part, certainty, probability, why, confirm, now, said"""
    words: tuple[tuple[str, str], ...]
    since: int
    until: int | None


class Rows(NamedTuple):
    """All rows of one thing, without its number."""

    board: Row
    passages: list[Row]
    uses: list[Use]
    called: list[Row]
    """place, called, said"""
    orders: list[tuple[str, str]]
    """order, said"""


def rows(made: Made) -> Rows:
    """The rows of a history."""
    history = made.history
    who, where = history.identity, whereabouts(history)
    held = where.held if where.state in ("in_process", "left_line") else None
    needs = {need.visit: need for need in made.needs}
    window: dict[int, tuple[int, int]] = {}
    for need in made.needs:
        first, last = window.get(need.visit, (microseconds(need.since), microseconds(need.until)))
        window[need.visit] = min(first, microseconds(need.since)), max(last, microseconds(need.until))
    silent = {need.visit for need in made.needs if need.silent}
    passages: list[Row] = []
    for number, visit in enumerate(history.route):
        since, until = microseconds(visit.arrived), microseconds(visit.departed or visit.arrived)
        latest = _instant(visit.departed_by or visit.departed)
        passages.append((
            number, made.lines[number], visit.station or "", visit.equipment, visit.lane, visit.side, visit.pass_,
            since, until, latest, visit.program.name if visit.program else None,
            (visit.program.revision or visit.program.hash) if visit.program else None, visit.outcome,
            visit.certainty, visit.probability, visit.reason, int(number in silent), *(window[number] if number in needs else (None, None)),
            reach(since, until if latest is None else latest),
        ))  # fmt: skip
    board = (
        who.key.kind, who.key.value, who.key.position or 0, who.unit, who.panel.value if who.panel else None, who.position,
        who.part_number, who.revision, json.dumps([order.order for order in who.work_orders]), who.purpose,
        "held" if held else where.state, where.station, int(where.there), _instant(held or where.since), where.end,
        _instant(history.completeness.first_seen), _instant(history.completeness.last_seen), len(history.findings),
    )  # fmt: skip
    called: list[Row] = [
        (place, microseconds(row.called), json.dumps(plain(row)))
        for place, row in enumerate(listing.rows(history))
    ]
    said = json.dumps(plain(course(history)))
    orders = [(order, said) for order in sorted({one.order for one in who.work_orders})]
    uses = [_material(one) for one in history.materials] + [_tool(one) for one in history.tools]
    uses += [_stray(one, history.route[one.visit].station) for one in made.stray]
    return Rows(board, passages, uses + list(_nozzles(history.materials)), called, orders)


def _material(one: Material) -> Use:
    said = {
        name: _plain(value)
        for name, value in zip(one._fields, one, strict=True)
        if name not in PER_BOARD and value not in (None, ())
    }
    shared = (
        "material", one.station, one.side, one.slot, one.part, one.certainty, one.probability, one.reason, one.confirm,
        int(one.now), json.dumps(said),
    )  # fmt: skip
    words = {("lot", lot) for lot in one.lots}
    for kind, value in (
        ("container", one.id), ("container", one.parent), ("date_code", one.date_code), ("part", one.part),
        ("maker_part", one.maker_part), ("receipt", one.receipt), ("feeder", one.feeder), ("supplier", one.supplier),
        ("maker", one.maker),
    ):  # fmt: skip
        if value:
            words.add((kind, value))
    if one.exceeded:
        words.add(("exceeded", ""))
    if not one.known:
        words.add(("unknown", one.part or ""))
    elif not one.lots and one.act in ("installed", "consumed"):
        words.add(("unknown_lot", one.part or ""))
    return Use(shared, tuple(sorted(words)), microseconds(one.time), _instant(one.ended))


def _tool(one: Tool) -> Use:
    said = json.dumps({
        "kind": one.kind, "id": one.id, "station": one.station, "side": one.side, "certainty": one.certainty,
        "probability": one.probability, "reason": one.reason,
    })  # fmt: skip
    shared = (
        "tool",
        one.station,
        one.side,
        None,
        None,
        one.certainty,
        one.probability,
        one.reason,
        None,
        0,
        said,
    )
    return Use(shared, ((one.kind, one.id),), microseconds(one.time), None)


def _stray(one: Stray, station: str | None) -> Use:
    revision = one.program.revision or one.program.hash
    said = json.dumps({
        "program": one.program.name, "revision": revision, "station": station, "side": one.side, "reason": one.reason,
    })  # fmt: skip
    shared = ("program", station, one.side, None, None, "inferred", None, one.reason, None, 0, said)
    return Use(shared, (("program", one.program.name),), microseconds(one.time), None)


def _nozzles(materials: tuple[Material, ...]) -> Iterator[Use]:
    """Nozzles: many slots use one, the board is told once a station and side."""
    seen: set[tuple[str | None, str | None, str]] = set()
    for one in materials:
        key = (one.station, one.side, one.nozzle or "")
        if one.nozzle and key not in seen:
            seen.add(key)
            yield _tool(
                Tool("nozzle", one.nozzle, one.station, one.side, one.time, "observed", None, None, ())
            )


def _plain(value: object) -> object:
    if isinstance(value, tuple) and value and isinstance(value[0], Place):
        return [place.designator or place.pad or "" for place in value]
    return list(value) if isinstance(value, tuple) else value


def _instant(time: datetime | None) -> int | None:
    return None if time is None else microseconds(time)

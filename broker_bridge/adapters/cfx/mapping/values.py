"""Measured values, process data and parameters."""

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final, Literal, NamedTuple

from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.protocol import scalars
from broker_bridge.adapters.cfx.protocol.node import Node, is_person
from broker_bridge.adapters.cfx.protocol.words import SUB_ZONE, TEST_RESULT
from broker_bridge.events.base import Measurement, Place
from broker_bridge.events.columns import block_hash, pack_numbers, pack_texts
from broker_bridge.events.reading import Column

Judged = Literal["passed", "failed", "unknown"]
_JUDGED: Final[dict[str | None, Judged | None]] = {"Passed": "passed", "Failed": "failed", None: None}
_MOST: Final = 20_000
"""Values of one statement; what is more stays in the raw bytes, flagged."""


def judged(word: str | None) -> Judged | None:
    """What a result says of one value: only Passed is a pass."""
    return _JUDGED.get(word, "unknown")


def places(text: str | None, part: str | None = None) -> tuple[Place, ...]:
    """The places a component designator names: C34; U2.11 (a lead); U2.1-45 and U2.1,2 (several, as written); R1,R2."""
    if not text:
        return (Place(part=part),) if part else ()
    head, dot, leads = text.partition(".")
    if dot:
        return (Place(designator=head.strip() or text, termination=leads.strip() or None, part=part),)
    names = [name.strip() for name in re.split(r"[,;]", text)]
    return tuple(Place(designator=name[:512], part=part) for name in names if name)


def designated(node: Node | None) -> tuple[Place, ...]:
    """The places of a ComponentDesignator."""
    if node is None:
        return ()
    return places(node.text("ReferenceDesignator"), node.text("PartNumber"))


def numeric(name: str, value: Node, outcome: Judged | None = None, place: Place | None = None) -> Measurement:
    """A NumericValue. Limits in another unit than the value's are left in the raw bytes, flagged: nothing is converted."""
    unit = value.text("ValueUnits")
    nominal_unit = value.text("ExpectedValueUnits")
    same = nominal_unit in (None, unit)
    found: dict[str, float | None] = {}
    for field, limit, units in (
        ("lower", "MinimumAcceptableValue", "MinimumAcceptableValueUnits"),
        ("upper", "MaximumAcceptableValue", "MaximumAcceptableValueUnits"),
    ):
        number = value.number(limit)
        stated = value.text(units)
        if number is None:
            continue
        if stated == unit or (stated is None and same):
            found[field] = number
        else:
            value.notes.flag("limit_unit_differs")
    nominal = value.number("ExpectedValue")
    if nominal is not None and not same:
        value.notes.flag("limit_unit_differs")
        nominal = None
    return Measurement(
        name=name,
        value=value.number("Value"),
        unit=unit,
        nominal=nominal,
        outcome=outcome,
        place=place,
        **found,
    )


_PASTE: Final = (
    ("volume", "Vol", "mL"), ("height", "Z", "mm"), ("area", "A", "mm2"), ("offset_x", "DX", "mm"),
    ("offset_y", "DY", "mm"), ("length", "X", "mm"), ("width", "Y", "mm"), ("volume_nominal", "EVol", "mL"),
    ("height_nominal", "EZ", "mm"), ("area_nominal", "EA", "mm2"), ("length_nominal", "EX", "mm"),
    ("width_nominal", "EY", "mm"), ("position_x", "PX", "mm"), ("position_y", "PY", "mm"), ("rotation", "RXY", "deg"),
    ("area_ratio", "AR", None),
)  # fmt: skip
"""Columns of a paste block, the fields they come from and their units as IPC-2591 gives them."""
_OFFSETS: Final = (
    ("DX", "mm"), ("DY", "mm"), ("DZ", "mm"), ("RXY", "deg"), ("RZX", "deg"), ("RZY", "deg"),
)  # fmt: skip
_COMMON: Final = frozenset(
    {"$type", "uniqueidentifier", "measurementname", "timerecorded", "sequence", "result", "crds", "image"}
)


def is_paste(node: Node) -> bool:
    """Whether a measurement is of paste on a pad, whether or not it says so."""
    kind = node.kind or ""
    if kind:
        return kind.startswith("SolderPasteInspection.")
    return node.has("Vol") or node.has("EVol")


class Block(NamedTuple):
    """Paste measurements as columns."""

    pads: int
    columns: tuple[Column, ...]
    block: str
    out_of_limits: int


def paste_block(nodes: Sequence[Node]) -> Block | None:
    """A block of paste measurements in the order given; None where there are none."""
    if not nodes:
        return None
    columns: list[Column] = []
    designators: list[str | None] = []
    terminations: list[str | None] = []
    pads: list[str | None] = []
    results: list[str | None] = []
    for node in nodes:
        text = node.text("CRDs")
        place = places(text)[:1]
        designators.append(place[0].designator if place else None)
        terminations.append(place[0].termination if place else None)
        pads.append(node.text("MeasurementName") or node.text("UniqueIdentifier"))
        results.append(judged(node.word("Result", TEST_RESULT)))
    for name, texts in (
        ("designator", designators),
        ("termination", terminations),
        ("pad", pads),
        ("outcome", results),
    ):
        if any(text is not None for text in texts):
            columns.append(pack_texts(name, texts))
    for name, field, unit in _PASTE:
        numbers = [node.number(field) for node in nodes]
        if any(number is not None for number in numbers):
            columns.append(pack_numbers(name, numbers, unit))
    return Block(len(nodes), tuple(columns), block_hash(columns), results.count("failed"))


def measurements(nodes: Iterable[Node], place: Place | None = None) -> Iterator[Measurement]:
    """Measurements of any kind but paste, which goes into a block."""
    for node in nodes:
        if not is_paste(node):
            yield from _measured(node, place)


def _measured(node: Node, place: Place | None) -> Iterator[Measurement]:
    result = judged(node.word("Result", TEST_RESULT))
    stated = places(node.text("CRDs"))
    where = stated[0] if stated else place
    if len(stated) > 1:
        where = Place(designator=node.text("CRDs"))
    key = node.text("UniqueIdentifier")
    name = node.text("MeasurementName") or (where.designator if where else None) or key or "measurement"
    sequence = node.whole("Sequence")
    value = node.node("MeasuredValue") if isinstance(node.get("MeasuredValue"), dict) else None
    if value is not None:
        yield numeric(name, value, result, where)
        return
    if any(node.has(field) for field, _ in _OFFSETS):
        for field, unit in _OFFSETS:
            if (number := node.number(field)) is not None:
                yield Measurement(
                    name=f"{name}.{field}"[:512], value=number, unit=unit, outcome=result, place=where
                )
        return
    if node.has("ActualValue"):
        yield Measurement(
            name=name, value=node.number("ActualValue"), nominal=node.number("ExpectedValue"),
            lower=node.number("MinAcceptableValue"), upper=node.number("MaxAcceptableValue"), outcome=result, place=where,
        )  # fmt: skip
        return
    if node.has("Value") and isinstance(node.get("Value"), str | bool):
        yield Measurement(
            name=name, text=_shown(node.get("Value")), expected=_shown(node.get("ExpectedValue")),
            outcome=result, place=where,
        )  # fmt: skip
        return
    found = False
    for field in node.names():
        if field.casefold() in _COMMON or not node.has(field):
            continue
        for one in flat(node, field, name):
            found = True
            yield one.model_copy(update={"outcome": result, "place": where})
    if not found:
        yield Measurement(
            name=name, outcome=result, place=where, text=None if sequence is None else f"#{sequence}"
        )


def flat(node: Node, field: str, name: str) -> Iterator[Measurement]:
    """Every value below a field, each named by its path; a person is left out."""
    yield from _flat(
        node.get(field), f"{name}.{field}" if name else field, node, f"{node.trail}{node.spelling(field)}"
    )


def flattened(node: Node, skip: frozenset[str] = frozenset()) -> Iterator[Measurement]:
    """Every value of an object, each named by its path; a person is left out. `skip`: fields in lower case."""
    for field in node.names():
        if field != "$type" and field.casefold() not in skip and not is_person(field):
            yield from flat(node, field, "")


def _flat(value: Any, name: str, node: Node, trail: str) -> Iterator[Measurement]:
    if value is None or value == "":
        return
    if isinstance(value, dict):
        node.notes.read.add(f"{trail}.$type")
        if _is_numeric_value(value):
            inner = Node(value, node.notes, f"{name}.", f"{trail}.")
            yield numeric(_name(name), inner)
            return
        for field, one in value.items():
            if field == "$type":
                continue
            if is_person(field):
                node.notes.flag("person_left_out")
                continue
            node.notes.read.add(f"{trail}.{field}")
            yield from _flat(one, f"{name}.{field}", node, f"{trail}.{field}")
    elif isinstance(value, list):
        for place, one in enumerate(value, 1):
            yield from _flat(one, f"{name}[{place}]", node, f"{trail}[]")
    elif isinstance(value, bool):
        yield Measurement(name=_name(name), text=_shown(value))
    elif isinstance(value, int | float):
        if (number := scalars.number(value)) is not None:
            yield Measurement(name=_name(name), value=number)
        else:
            node.notes.flag("not_a_number")
    elif isinstance(value, str):
        yield _worded(_name(name), value)


def _worded(name: str, text: str) -> Measurement:
    """A time span becomes seconds, any other text stays one."""
    try:
        return Measurement(name=name, value=scalars.span(text).total_seconds(), unit="s")
    except (ValueError, OverflowError):
        shown = _shown(text)
        return Measurement(name=name, text=shown)


def _is_numeric_value(value: dict[str, Any]) -> bool:
    names = {field.casefold() for field in value}
    return "value" in names and ("valueunits" in names or "expectedvalue" in names)


def _name(name: str) -> str:
    return name if len(name) <= 512 else name[-512:]


def _shown(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value).replace("\x00", "")[:512] or None


def process_data(node: Node | None, telling: Telling) -> list[Measurement]:
    """Process data of any kind: an oven's zones with their set points, everything else by its paths."""
    if node is None:
        return []
    _ = node.kind
    if node.has("ZoneData") and any(zone.has("Zone") for zone in node.nodes("ZoneData")):
        found = list(_zones(node.nodes("ZoneData")))
        found += flattened(node, frozenset({"zonedata"}))
    elif "GenericProcessData" in (node.kind or ""):
        found = list(_generic(node))
        found += flattened(node, frozenset({"readings", "parameters"}))
    else:
        found = list(flattened(node))
    return bounded(found, telling)


def _generic(node: Node) -> Iterator[Measurement]:
    """Values that have names of their own."""
    for place, one in enumerate(node.nodes("Readings"), 1):
        value = one.node("Value")
        if value is not None:
            yield numeric(one.text("Name") or f"reading {place}", value)
    for place, one in enumerate(node.nodes("Parameters"), 1):
        yield Measurement(name=one.text("Name") or f"parameter {place}", text=one.text("Value"))


def bounded(found: list[Measurement], telling: Telling) -> list[Measurement]:
    """At most so many values as a statement holds; more are flagged."""
    if len(found) > _MOST:
        telling.notes.flag("values_cut")
    return found[:_MOST]


def _zones(zones: Sequence[Node]) -> Iterator[Measurement]:
    for place, one in enumerate(zones, 1):
        zone = one.node("Zone")
        name = f"zone {place}"
        if zone is not None:
            name = zone.text("StageName") or zone.text("StageSequence") or name
            if (kind := zone.text("ReflowZoneType")) is not None:
                yield Measurement(name=f"{name}.type"[:512], text=kind)
        wanted: dict[str, float | None] = {}
        for setpoint in one.nodes("Setpoints"):
            kind = setpoint.text("SetpointType") or "value"
            wanted[f"{setpoint.word('SubZone', SUB_ZONE) or 'WholeZone'}.{kind}"] = setpoint.number(
                "Setpoint"
            )
        for reading in one.nodes("Readings"):
            kind = reading.text("ReadingType") or "value"
            key = f"{reading.word('SubZone', SUB_ZONE) or 'WholeZone'}.{kind}"
            yield Measurement(
                name=f"{name}.{key}"[:512],
                value=reading.number("ReadingValue"),
                nominal=wanted.pop(key, None),
            )
        for key, nominal in wanted.items():
            yield Measurement(name=f"{name}.{key}"[:512], nominal=nominal)

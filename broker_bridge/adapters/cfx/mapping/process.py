"""Process values: what was done to units, readings, tools, activities, counts."""

from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.mapping.values import (
    bounded,
    flattened,
    judged,
    numeric,
    places,
    process_data,
)
from broker_bridge.adapters.cfx.protocol.node import Node
from broker_bridge.adapters.cfx.protocol.scalars import number
from broker_bridge.adapters.cfx.protocol.words import ACTIVITY_STATE, PROCESSING_RESULT, TEST_RESULT
from broker_bridge.events.base import Measurement, Program
from broker_bridge.events.reading import ReadingRecorded
from broker_bridge.events.work import WorkPrintAttempted, WorkStencilCleaned

_PRINTED = {"Succeeded": "completed", "Failed": "failed", "Aborted": "aborted"}


def processed(telling: Telling) -> None:
    """UnitsProcessed: values common to the transaction, and of each unit. A print of paste is one."""
    body = telling.body
    overall = body.word("OverallResult", PROCESSING_RESULT)
    common = body.node("CommonProcessData")
    values = process_data(common, telling)
    if overall is not None:
        values.append(Measurement(name="OverallResult", text=overall))
    program = _recipe(common) or telling.known.program
    nodes = body.nodes("UnitProcessData")
    units = telling.unit_boards(telling.units(nodes))
    printed = [
        one
        for one in (common, *(node.node("UnitProcessData") for node in nodes))
        if one is not None and _is_print(one)
    ]
    boards = None if telling.known.named else tuple(board for group in units for board in group) or None
    if printed:
        telling.say(
            WorkPrintAttempted,
            boards=boards,
            program=_recipe(printed[0]) or program,
            outcome=_PRINTED.get(overall or "", "unknown"),
            values=tuple(values),
        )
    elif values:
        telling.say(ReadingRecorded, boards=boards, values=tuple(values), program=program)
    for node, about in zip(nodes, units, strict=True):
        own = process_data(node.node("UnitProcessData"), telling)
        if (result := node.word("UnitResult", PROCESSING_RESULT)) is not None:
            own.append(Measurement(name="UnitResult", text=result))
        if own:
            telling.say(ReadingRecorded, boards=about, values=tuple(own), program=program)


def _is_print(node: Node) -> bool:
    return "SolderPastePrinting" in (node.kind or "") or node.has("Strokes")


def _recipe(node: Node | None) -> Program | None:
    name = node.text("RecipeName") if node is not None and node.has("RecipeName") else None
    return Program(name=name) if name else None


def soldered(telling: Telling) -> None:
    """PCBSelectiveSoldered: a former spelling of UnitsProcessed for selective soldering."""
    header = telling.body.node("HeaderData")
    values = process_data(header, telling)
    program = _recipe(header) or telling.known.program
    nodes = telling.body.nodes("SolderedPCBs")
    units = telling.unit_boards(telling.units(nodes))
    boards = None if telling.known.named else tuple(board for group in units for board in group) or None
    if values:
        telling.say(ReadingRecorded, boards=boards, values=tuple(values), program=program)
    for node, about in zip(nodes, units, strict=True):
        own = bounded(list(flattened(node, frozenset({"unitidentifier", "unitpositionnumber"}))), telling)
        if own:
            telling.say(ReadingRecorded, boards=about, values=tuple(own), program=program)


def readings(telling: Telling) -> None:
    """ReadingsRecorded: a statement for each unit, or for the transaction where no unit is named."""
    nodes = telling.body.nodes("Readings")
    groups: dict[tuple[str | None, int | None], list[Node]] = {}
    for node, unit in zip(nodes, telling.units(nodes), strict=True):
        groups.setdefault((unit.identifier, unit.number), []).append(node)
    for group in groups.values():
        about = telling.unit_boards(telling.units(group[:1]))[0]
        values = bounded([one for node in group for one in _reading(node, telling)], telling)
        telling.say(ReadingRecorded, boards=about, values=tuple(values), program=telling.known.program)


def _reading(node: Node, telling: Telling) -> list[Measurement]:
    name = node.text("ReadingIdentifier") or "reading"
    telling.moment(node, "TimeRecorded")
    _ = node.kind
    spots = [place for one in node.nodes("Components") for place in places(one.text("ReferenceDesignator"))]
    outcome = judged(node.word("Result", TEST_RESULT))
    text = node.text("Value")
    value = _number(text)
    if value is None:
        expected = node.text("ExpectedValue")
        return [
            Measurement(
                name=name, text=text, expected=expected, outcome=outcome, place=spots[0] if spots else None
            )
        ]
    unit, nominal_unit = node.text("ValueUnits"), node.text("ExpectedValueUnits")
    if nominal_unit not in (None, unit):
        node.notes.flag("limit_unit_differs")
        return [
            Measurement(name=name, value=value, unit=unit, outcome=outcome, place=spots[0] if spots else None)
        ]
    return [
        Measurement(
            name=name, value=value, unit=unit, nominal=_number(node.text("ExpectedValue")),
            lower=_number(node.text("MinimumAcceptableValue")), upper=_number(node.text("MaximumAcceptableValue")),
            outcome=outcome, place=spots[0] if spots else None,
        )
    ]  # fmt: skip


def _number(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return number(text)
    except ValueError:
        return None


def activities(telling: Telling) -> None:
    """ActivitiesExecuted: each activity with its state and its values."""
    values: list[Measurement] = []
    for node in telling.body.nodes("Activities"):
        _ = node.kind
        name = node.text("ActivityName") or (node.kind or "activity").rpartition(".")[2]
        values.append(Measurement(name=name, text=node.word("ActivityState", ACTIVITY_STATE)))
        values += [
            one.model_copy(update={"name": f"{name}.{one.name}"[:512]})
            for one in flattened(node, frozenset({"activityname", "activitystate"}))
        ]
    telling.say(ReadingRecorded, values=tuple(bounded(values, telling)))


def tools_used(telling: Telling) -> None:
    """ToolsUsed."""
    nodes = telling.body.nodes("UsedTools")
    for node, about in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        skip = frozenset({"unitidentifier", "unitpositionnumber"})
        values = bounded(list(flattened(node, skip)), telling)
        telling.say(ReadingRecorded, boards=about, values=tuple(values))


def recorded(telling: Telling) -> None:
    """Values of the station itself, whatever they are: every field of the message by its path."""
    skip = frozenset({"transactionid", "lane", "stage"})
    values = bounded(list(flattened(telling.body, skip)), telling)
    values.insert(0, Measurement(name="message", text=telling.envelope.name))
    telling.say(ReadingRecorded, values=tuple(values))


def calibrated(telling: Telling) -> None:
    """CalibrationPerformed."""
    calibration = telling.body.node("Calibration")
    values = [Measurement(name="message", text=telling.envelope.name)]
    if calibration is not None:
        _ = calibration.kind
        values += flattened(calibration, frozenset({"measurements"}))
        for one in calibration.nodes("Measurements"):
            value = one.node("MeasurementValue")
            if value is not None:
                values.append(numeric(one.text("MeasurementName") or "measurement", value))
    telling.say(ReadingRecorded, values=tuple(bounded(values, telling)))


def stencil_cleaned(telling: Telling) -> None:
    """StencilCleaned: wiped from below in the printer, which takes no paste off its top."""
    stencil = telling.body.node("Stencil")
    tool = None
    if stencil is not None:
        _ = stencil.kind
        tool = stencil.text("UniqueIdentifier") or stencil.text("Name")
    telling.say(WorkStencilCleaned, boards=(), stencil=tool, method="wiped", paste_removed=False)
    skip = frozenset({"stencil"})
    values = bounded(list(flattened(telling.body, skip)), telling)
    if values:
        telling.say(ReadingRecorded, boards=(), values=tuple(values))

"""Inspection, review, test and repair."""

import hashlib
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

from broker_bridge.adapters.cfx.mapping.telling import Telling
from broker_bridge.adapters.cfx.mapping.values import (
    designated,
    flattened,
    is_paste,
    measurements,
    paste_block,
)
from broker_bridge.adapters.cfx.protocol.node import Node
from broker_bridge.adapters.cfx.protocol.words import (
    INSPECTION_METHOD,
    REPAIR_RESULT,
    SAMPLING,
    TEST_METHOD,
    TEST_RESULT,
    VERIFICATION,
)
from broker_bridge.events.base import Attachment, Board, Coverage, Measurement, Outcome, Place, Program
from broker_bridge.events.inspection import (
    Call,
    InspectionCompleted,
    InspectionReviewed,
    InspectionReworkPerformed,
    InspectionTestCompleted,
    Method,
    ReworkAction,
    Verdict,
)
from broker_bridge.events.reading import ReadingPasteMeasured, ReadingRecorded

_METHODS: Final[dict[str, Method]] = {"Human": "visual", "AOI": "optical", "SPI": "paste", "AXI": "x_ray"}
_TESTS: Final = {"ICT": "in_circuit", "FPT": "flying_probe", "FCT": "functional", "BST": "boundary_scan"}
_OUTCOMES: Final[dict[str, Outcome]] = {
    "Passed": "passed", "Failed": "failed", "Aborted": "aborted", "Skipped": "skipped",
}  # fmt: skip
_VERDICTS: Final = {
    "DefectConfirmed": "confirmed",
    "DefectRejected": "false_call",
    "DefectAccepted": "confirmed",
    "DefectRepaired": "confirmed",
    "DefectClosed": "confirmed",
}
_REPAIRED: Final = {
    "RepairSuccessful": "repaired",
    "UnableToRepair": "not_repairable",
    "Scrap": "not_repairable",
    "Error": "not_classified",
    "Aborted": "not_classified",
}


def inspected(telling: Telling) -> None:
    """UnitsInspected: a statement for each unit, one for the panel as a whole, verdicts where they are in it already."""
    body = telling.body
    method = _METHODS.get(body.word("InspectionMethod", INSPECTION_METHOD) or "", "other")
    operator = telling.operator(body, "Inspector")
    program = telling.program(body, revision="RecipeRevision") or telling.known.program
    sampling = _sampling(body)
    nodes = body.nodes("InspectedUnits")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        _inspected(telling, node, boards, method, operator, program, sampling)
    panel = body.node("InspectedPanel")
    if panel is not None:
        name = panel.text("UnitIdentifier")
        boards = telling.unit_boards(telling.units([panel]))[0] if name else telling.known_boards()[:1]
        whole = tuple(board.model_copy(update={"unit": "panel"}) for board in boards)
        _inspected(telling, panel, whole, method, operator, program, sampling)


def _inspected(
    telling: Telling,
    node: Node,
    boards: tuple[Board, ...],
    method: Method,
    operator: str | None,
    program: Program | None,
    sampling: str | None,
) -> None:
    looks = node.nodes("Inspections")
    word = node.word("OverallResult", TEST_RESULT)
    overall = node.word("Verification", VERIFICATION)
    calls: list[Call] = []
    verdicts: list[Verdict] = []
    paste: list[Node] = []
    values: list[Measurement] = []
    reasons: list[str] = []
    skipped = 0
    for look in looks:
        result = look.word("Result", TEST_RESULT)
        skipped += result in ("Skipped", "Aborted")
        if error := look.text("Error"):
            reasons.append(error)
        found = look.nodes("Measurements")
        paste += [one for one in found if is_paste(one)]
        values += measurements(found)
        general = look.word("Verification", VERIFICATION) or overall
        for defect in look.nodes("DefectsFound"):
            calls.append(_call(defect, look))
            verdict = _verdict(calls[-1], defect, general)
            if verdict is not None:
                verdicts.append(verdict)
        calls += [_symptom(symptom) for symptom in look.nodes("Symptoms")]
    start = _edge(telling, looks, "InspectionStartTime", min)
    end = _edge(telling, looks, "InspectionEndTime", max)
    total = node.whole("TotalInspectionCount")
    coverage = None
    if total is not None or sampling is not None or skipped:
        looked = total if total is not None and total >= 0 else None
        coverage = Coverage(
            inspected=None if looked is None else max(0, looked - skipped), total=looked, sampling=sampling
        )
    key = _fingerprint(looks, boards)
    repeated = key is not None and key in telling.known.told
    if not (repeated and verdicts):
        telling.say(
            InspectionCompleted, boards=boards, method=method, outcome=_OUTCOMES.get(word or "", "unknown"),
            reason=_reason(word, reasons), started=start, ended=end, program=program, coverage=coverage,
            calls=tuple(calls), operator=operator if not verdicts else None,
        )  # fmt: skip
        block = paste_block(paste)
        if block is not None:
            telling.say(
                ReadingPasteMeasured, boards=boards, program=program, started=start, **block._asdict()
            )
        if values:
            telling.say(ReadingRecorded, boards=boards, values=tuple(values), program=program)
    if verdicts:
        words = {verdict.verdict for verdict in verdicts}
        outcome = "failed" if "confirmed" in words else "passed"
        if len(verdicts) < len(calls):
            outcome = "undecided" if outcome == "passed" else outcome
        telling.say(
            InspectionReviewed, boards=boards, inspected_at=telling.machine.station, inspected=start,
            outcome=outcome, verdicts=tuple(verdicts), operator=operator,
        )  # fmt: skip
    if key is not None:
        telling.told.append(key)


def tested(telling: Telling) -> None:
    """UnitsTested."""
    body = telling.body
    method = _TESTS.get(body.word("TestMethod", TEST_METHOD) or "", "other")
    operator = telling.operator(body, "Tester")
    program = telling.program(body, revision="RecipeRevision") or telling.known.program
    sampling = _sampling(body)
    nodes = body.nodes("TestedUnits")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        tests = node.nodes("Tests")
        word = node.word("OverallResult", TEST_RESULT)
        calls: list[Call] = []
        steps: list[Measurement] = []
        reasons: list[str] = []
        for test in tests:
            name = test.text("TestName") or test.text("UniqueIdentifier") or "test"
            found = list(measurements(test.nodes("Measurements")))
            outcome = _OUTCOMES.get(test.word("Result", TEST_RESULT) or "", "unknown")
            judged = outcome if outcome in ("passed", "failed") else "unknown"
            if not found:
                found = [Measurement(name=name, outcome=judged)]
            steps += found
            for condition in test.nodes("TestConditions"):
                prefix = (condition.kind or "condition").rpartition(".")[2]
                steps += [
                    one.model_copy(update={"name": f"{name}.{prefix}.{one.name}"[:512]})
                    for one in flattened(condition)
                ]
            if error := test.text("Error"):
                reasons.append(error)
            calls += [_call(defect, test) for defect in test.nodes("DefectsFound")]
            calls += [_symptom(symptom) for symptom in test.nodes("SymptomsFound")]
        telling.say(
            InspectionTestCompleted, boards=boards, method=method, outcome=_OUTCOMES.get(word or "", "unknown"),
            reason=_reason(word, reasons), started=_edge(telling, tests, "TestStartTime", min),
            ended=_edge(telling, tests, "TestEndTime", max), program=program,
            coverage=Coverage(sampling=sampling) if sampling else None, steps=tuple(steps), calls=tuple(calls),
            operator=operator,
        )  # fmt: skip


def repaired(telling: Telling) -> None:
    """UnitsRepaired. Which of rework, repair and modification it was is not said (IPC-7711/7721 tells them apart)."""
    operator = telling.operator(telling.body, "RepairOperator")
    nodes = telling.body.nodes("RepairedUnits")
    for node, boards in zip(nodes, telling.unit_boards(telling.units(nodes)), strict=True):
        repairs = node.nodes("Repairs")
        word = node.word("OverallResult", REPAIR_RESULT)
        telling.say(
            InspectionReworkPerformed, boards=boards, kind="unknown",
            outcome={"RepairSuccessful": "completed", None: "unknown"}.get(word, "failed"),
            started=_edge(telling, repairs, "RepairStartTime", min), ended=_edge(telling, repairs, "RepairEndTime", max),
            actions=tuple(_action(repair) for repair in repairs), operator=operator,
        )  # fmt: skip


def _action(repair: Node) -> ReworkAction:
    found = designated(repair.node("ComponentOfInterest"))
    error = repair.text("Error")
    result = repair.word("Result", REPAIR_RESULT)
    related = repair.texts("RelatedDefectIdentifiers") + repair.texts("RelatedSymptomIdentifiers")
    remarks = [repair.long_text("Comments"), error]
    if result not in (None, "RepairSuccessful"):
        remarks.append(result)
    return ReworkAction(
        place=found[0] if len(found) == 1 else _several(found),
        action=repair.text("RepairName") or "repaired",
        defect=", ".join(related)[:512] or None,
        verdict=_REPAIRED.get(result or "", "not_classified"),
        remark="; ".join(text for text in remarks if text)[:8192] or None,
    )


def _call(defect: Node, look: Node) -> Call:
    found = designated(defect.node("ComponentOfInterest"))
    label = defect.text("DefectCode") or defect.text("Description") or defect.text("DefectCategory")
    related = tuple(measurements(defect.nodes("RelatedMeasurements")))
    place = found[0] if len(found) == 1 else _several(found)
    region = defect.node("RegionOfInterest")
    if region is not None:
        place = place.model_copy(
            update={"x_mm": region.number("StartPointX"), "y_mm": region.number("StartPointY")}
        )
    return Call(
        key=defect.text("UniqueIdentifier"),
        place=place,
        label=label or "defect",
        defect=defect.text("Description") if label != defect.text("Description") else None,
        values=related,
        pictures=_pictures(defect),
    )


def _symptom(symptom: Node) -> Call:
    found = [place for node in symptom.nodes("ComponentsOfInterest") for place in designated(node)]
    label = symptom.text("SymptomCode") or symptom.text("Description") or symptom.text("SymptomCategory")
    return Call(
        key=symptom.text("UniqueIdentifier"),
        place=found[0] if len(found) == 1 else _several(found),
        label=label or "symptom",
        values=tuple(measurements(symptom.nodes("RelatedMeasurements"))),
    )


def _several(found: Sequence[Place]) -> Place:
    names = ",".join(place.designator or "" for place in found)
    return Place(designator=names[:512] or None)


def _verdict(call: Call, defect: Node, general: str | None) -> Verdict | None:
    word = defect.word("Verification", VERIFICATION) or general
    verdict = _VERDICTS.get(word or "")
    if verdict is None:
        return None
    remarks = [defect.text("VerificationDetail")]
    if word not in ("DefectConfirmed", "DefectRejected"):
        remarks.insert(0, word)
    return Verdict(
        key=call.key,
        place=call.place,
        label=call.label,
        verdict=verdict,
        remark="; ".join(text for text in remarks if text) or None,
    )


def _pictures(node: Node) -> tuple[Attachment, ...]:
    """Pictures that lie elsewhere; one inside the message stays in its bytes."""
    found = []
    for image in node.nodes("DefectImages"):
        href = image.text("ImageURL")
        if href:
            found.append(Attachment(href=href, media_type=image.text("MimeType")))
    return tuple(found)


def _sampling(body: Node) -> str | None:
    node = body.node("SamplingInformation")
    if node is None:
        return None
    method = node.word("SamplingMethod", SAMPLING)
    if method in (None, "NoSampling"):
        return None
    sizes = [
        f"{name} {size:g}"
        for name, field in (("lot", "LotSize"), ("sample", "SampleSize"))
        if (size := node.number(field)) is not None
    ]
    return " ".join([method or "", *sizes]).strip()[:512]


def _reason(word: str | None, reasons: Sequence[str]) -> str | None:
    """Why there is no clear outcome, or what went wrong besides."""
    found = list(dict.fromkeys(reasons))
    if word not in ("Passed", "Failed", None):
        found.insert(0, word)
    return "; ".join(found)[:512] or None


def _edge(
    telling: Telling, nodes: Sequence[Node], name: str, edge: Callable[[list[datetime]], datetime]
) -> datetime | None:
    found = [time for node in nodes if (time := telling.moment(node, name)) is not None]
    return edge(found) if found else None


def _fingerprint(looks: Sequence[Node], boards: tuple[Board, ...]) -> str | None:
    """What names an inspection of a unit when it is told a second time, with verdicts: its machine's own keys."""
    keys = [key for look in looks if (key := look.text("UniqueIdentifier"))]
    if not keys:
        return None
    about = repr([(board.machine_position, board.position, board.nest) for board in boards])
    return hashlib.sha256("\n".join((about, *sorted(keys))).encode()).hexdigest()[:16]

"""Inspection, review, test, rework: what was looked at, what was called, what was done about it."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from broker_bridge.events.base import (
    Attachment,
    Coverage,
    Data,
    LongText,
    Material,
    Measurement,
    Model,
    Name,
    Outcome,
    Place,
    Program,
    Text,
    Time,
)  # fmt: skip

Attempt = Annotated[int, Field(ge=1)]


class _InspectionData(Data):
    STATUS: ClassVar[Literal["final", "draft"]] = "final"


Method = Literal["paste", "optical", "x_ray", "visual", "other"]


class Call(Model):
    """The machine says something is wrong here. A call is not yet a defect."""

    key: Text | None = None
    """The machine's own key of this call, which a verdict repeats."""
    place: Place
    label: Text
    """What the machine calls it, in its own words."""
    defect: Text | None = None
    """The plant's word for it, where the mapping holds a table."""
    values: tuple[Measurement, ...] = ()
    pictures: tuple[Attachment, ...] = ()


class InspectionCompleted(_InspectionData):
    """One inspection of one board (or of a panel as a whole)."""

    TYPE = "inspection.completed"
    method: Method
    outcome: Outcome
    reason: Text | None = None
    """Why it was aborted, skipped, bypassed or not done, in the source's words."""
    started: Time | None = None
    ended: Time | None = None
    program: Program | None = None
    attempt: Attempt | None = None
    coverage: Coverage | None = None
    calls: tuple[Call, ...] = ()
    pictures: tuple[Attachment, ...] = ()


class Verdict(Model):
    """What a person, or a machine in his place, decided about one call."""

    key: Text | None = None
    """Key of the call it answers."""
    place: Place
    label: Text | None = None
    """Label of the call it answers."""
    verdict: Literal["confirmed", "false_call", "process_indicator", "undecided"]
    defect: Text | None = None
    """The plant's word for the confirmed defect."""
    remark: LongText | None = None
    pictures: tuple[Attachment, ...] = ()


class InspectionReviewed(_InspectionData):
    """Calls of an earlier inspection were judged, possibly hours later and at another station."""

    TYPE = "inspection.reviewed"
    inspected_at: Name | None = None
    """Station of the inspection under review."""
    inspected: Time | None = None
    """Time of the inspection under review, as the review states it."""
    by: Literal["person", "machine"] = "person"
    outcome: Literal["passed", "failed", "undecided", "unknown"] = "unknown"
    verdicts: tuple[Verdict, ...] = ()


class InspectionVerified(_InspectionData):
    """An inspection machine was checked with a reference board: what it had to find and what it found."""

    TYPE = "inspection.verified"
    method: Method | None = None
    expected: tuple[Call, ...] = ()
    found: tuple[Call, ...] = ()
    outcome: Literal["passed", "failed", "unknown"]
    program: Program | None = None


class InspectionTestCompleted(_InspectionData):
    """One attempt of an electrical test."""

    TYPE = "inspection.test_completed"
    method: Literal["in_circuit", "flying_probe", "boundary_scan", "functional", "other"]
    outcome: Outcome
    reason: Text | None = None
    """Why it was aborted, skipped, bypassed or not done, in the source's words."""
    started: Time | None = None
    ended: Time | None = None
    program: Program | None = None
    attempt: Attempt | None = None
    fixture: Text | None = None
    nest: Text | None = None
    coverage: Coverage | None = None
    steps: tuple[Measurement, ...] = ()
    calls: tuple[Call, ...] = ()


class ReworkAction(Model):
    """One thing done at one place."""

    place: Place
    action: Text
    """What was done, in the source's words: replaced, resoldered, cleaned ..."""
    defect: Text | None = None
    verdict: Literal["repaired", "not_repairable", "false_scrap", "not_classified"] | None = None
    removed: Material | None = None
    installed: Material | None = None
    remark: LongText | None = None
    pictures: tuple[Attachment, ...] = ()


class InspectionReworkPerformed(_InspectionData):
    """Work on a board outside the normal flow; rework, repair and modification are three things (IPC-7711/7721)."""

    TYPE = "inspection.rework_performed"
    kind: Literal["rework", "repair", "modification", "unknown"]
    started: Time | None = None
    ended: Time | None = None
    actions: tuple[ReworkAction, ...] = ()
    outcome: Literal["completed", "failed", "unknown"] = "unknown"


class InspectionPasteToppedUp(_InspectionData):
    """Missing paste was added to pads."""

    TYPE = "inspection.paste_topped_up"
    places: tuple[Place, ...]
    amounts: tuple[Measurement, ...] = ()
    """Amount a place, in the order of `places`; empty where not stated."""
    left: tuple[Place, ...] = ()
    """Places that were asked for and not topped up."""
    outcome: Literal["completed", "failed", "partial", "unknown"]
    started: Time | None = None
    ended: Time | None = None
    program: Program | None = None


TYPES: tuple[type[Data], ...] = (
    InspectionCompleted, InspectionReviewed, InspectionVerified, InspectionTestCompleted,
    InspectionReworkPerformed, InspectionPasteToppedUp,
)  # fmt: skip

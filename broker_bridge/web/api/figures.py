"""What many boards say together: yields, charts, capability, paste. One at a time: each takes a core."""

import threading
from collections.abc import Callable
from datetime import time
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Request
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.responses import Response

from broker_bridge.errors import UsageError
from broker_bridge.queries import quality_charts as charts
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.columns import read_columns
from broker_bridge.queries.columns_paste import read_paste
from broker_bridge.queries.parts import read_parts
from broker_bridge.queries.quality_paste import COLUMNS, quality_paste
from broker_bridge.queries.quality_series import COUNTED, Series, counted, measured, paste_series
from broker_bridge.queries.quality_yield import quality_yield
from broker_bridge.queries.record import Record
from broker_bridge.trace.history import AsOf
from broker_bridge.trace.quality import Answer
from broker_bridge.web.answers import answer
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Reader, Reading

router = APIRouter(tags=["figures"])

_PATIENCE_S: Final = 60.0
_COUNTING: Final = threading.BoundedSemaphore(1)

Name = Annotated[str | None, Field(min_length=1, max_length=512)]
Stage = Literal["inspected", "reviewed", "reworked"]


class Conditions(BaseModel):
    """Conditions that all have to hold; absent ones do not."""

    model_config = ConfigDict(extra="forbid")

    line: Name = None
    station: Name = None
    equipment: Name = None
    part: Name = None
    program: Name = None
    program_revision: Name = None
    side: Literal["top", "bottom"] | None = None
    order: Name = None
    method: Name = None
    designator: Name = None
    position: Annotated[int | None, Field(ge=1, le=9999)] = None
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    shift: Annotated[str | None, Field(pattern=r"^[0-2][0-9]:[0-5][0-9]-[0-2][0-9]:[0-5][0-9]$")] = None
    any_purpose: bool = False
    level: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    at: Annotated[int | None, Field(ge=0, lt=2**63)] = None

    def choice(self) -> Choice:
        """As the queries take it. Raises UsageError."""
        return Choice(
            self.line, self.station, self.equipment, self.part, self.program, self.program_revision, self.side, self.order,
            self.method, self.designator, self.position, self.since, self.until, _shift(self.shift), self.any_purpose,
        )  # fmt: skip


class Yield(Conditions):
    """Of which stage, by what."""

    stage: Stage = "reviewed"
    by: Name = None
    end_item: Name = None


class Charts(Conditions):
    """Of which series."""

    series: Annotated[
        str, Field(min_length=1, max_length=512, examples=["failed", "reading:zone_7", "paste:volume"])
    ]
    kind: Name = None
    rules: Literal["limits", "we", "nelson"] = "we"
    size: Annotated[int | None, Field(ge=1, le=1000)] = None
    baseline: Annotated[int | None, Field(ge=1, le=1_000_000)] = None
    target: float | None = None
    sigma: Annotated[float | None, Field(gt=0)] = None
    phase: Name = None
    per: Annotated[str, Field(max_length=64)] = "hour"
    stage: Stage = "reviewed"


class Capability(Conditions):
    """Of which series, within which limits (default: as stated in the record)."""

    series: Annotated[str, Field(min_length=1, max_length=512, examples=["reading:zone_7"])]
    lower: float | None = None
    upper: float | None = None
    target: float | None = None
    size: Annotated[int | None, Field(ge=1, le=1000)] = None
    least: Annotated[int, Field(ge=2, le=1_000_000)] = 25


class Paste(Conditions):
    """Pads, or means of components."""

    by: Literal["pad", "component"] = "pad"


@router.get("/quality/yield", summary="Yields and DPMO", response_model=None)
def yields(request: Request, record: Reading, user: Reader, asked: Annotated[Yield, Query()]) -> Response:
    """Each figure with its interval and the boards behind it (schemas/quality.json)."""

    def made() -> Answer:
        as_of = record.as_of(asked.at)
        return quality_yield(
            read_columns(record, as_of), read_parts(record, as_of), asked.choice(), stage=asked.stage, by=asked.by,
            end_item=asked.end_item, level=asked.level,
        )  # fmt: skip

    return counted_alone(request, made)


@router.get("/quality/charts", summary="A control chart", response_model=None)
def chart(request: Request, record: Reading, user: Reader, asked: Annotated[Charts, Query()]) -> Response:
    """Points, limits, and what the rules found (schemas/quality.json)."""

    def made() -> Answer:
        as_of, choice = record.as_of(asked.at), asked.choice()
        series = _series(record, as_of, choice, asked.series, asked.per, asked.stage, asked.phase)
        usual = ("p" if asked.series == "failed" else "u") if asked.series in COUNTED else "i-mr"
        return charts.quality_charts(
            series, asked.kind or usual, as_of, choice.words(), rules=asked.rules, size=asked.size or 5,
            baseline=asked.baseline, target=asked.target, sigma=asked.sigma,
        )  # fmt: skip

    return counted_alone(request, made)


@router.get("/quality/capability", summary="Capability of a process", response_model=None)
def capability(
    request: Request, record: Reading, user: Reader, asked: Annotated[Capability, Query()]
) -> Response:
    """Told only where there are values enough (schemas/quality.json)."""

    def made() -> Answer:
        if asked.series in COUNTED:
            raise UsageError(f"capability of {asked.series}: counts have no limits; take charts")
        as_of, choice = record.as_of(asked.at), asked.choice()
        return charts.quality_capability(
            _series(record, as_of, choice, asked.series, "hour", "reviewed", None), as_of, choice.words(), lower=asked.lower,
            upper=asked.upper, target=asked.target, size=asked.size or 1, least=asked.least, level=asked.level,
        )  # fmt: skip

    return counted_alone(request, made)


@router.get("/quality/paste", summary="Printed paste", response_model=None)
def paste(request: Request, record: Reading, user: Reader, asked: Annotated[Paste, Query()]) -> Response:
    """Pads, offsets, drift, what inspection can tell of later defects (schemas/quality.json)."""

    def made() -> Answer:
        as_of, choice = record.as_of(asked.at), asked.choice()
        return quality_paste(
            read_paste(record, as_of, choice, COLUMNS),
            read_parts(record, as_of),
            choice,
            by=asked.by,
            level=asked.level,
        )

    return counted_alone(request, made)


def _series(
    record: Record, as_of: AsOf, choice: Choice, what: str, per: str, stage: Stage, phase: str | None
) -> Series:
    if what in COUNTED:
        return counted(read_columns(record, as_of), choice, what, per, stage, phase)
    if what.partition(":")[0] == "paste":
        name = what.partition(":")[2] or "volume"
        return paste_series(
            read_paste(record, as_of, choice, (name, f"{name}_lower", f"{name}_upper")), choice, what, phase
        )
    return measured(record, as_of, choice, what, phase)


def counted_alone(request: Request, made: Callable[[], Answer]) -> Response:
    """The answer, once nobody else counts. Raises Problem after a minute."""
    if not _COUNTING.acquire(timeout=_PATIENCE_S):
        raise Problem(503, "other figures are being counted: try again", headers={"Retry-After": "30"})
    try:
        found = made()
    finally:
        _COUNTING.release()
    return answer(request, found)


def _shift(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    try:
        start, end = (time.fromisoformat(part) for part in text.split("-"))
    except ValueError:
        raise UsageError(f"shift {text}: expected 06:00-14:00") from None
    if start == end:
        raise UsageError(f"shift {text}: begins when it ends")
    return start.hour * 60 + start.minute, end.hour * 60 + end.minute

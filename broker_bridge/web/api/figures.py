"""What many boards say together: quality and flow. One question at a time: each takes a core."""

import threading
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.queries.record import Record
from broker_bridge.web.answers import answer
from broker_bridge.web.api.shapes import EXAMPLE_AS_OF, shaped
from broker_bridge.web.problems import Problem
from broker_bridge.web.questions import Question, flow, quality
from broker_bridge.web.site import Reader, Reading

router = APIRouter(tags=["figures"])

_PATIENCE_S: Final = 60.0
_COUNTING: Final = threading.BoundedSemaphore(1)


def _told(summary: str, view: str, sentence: str, title: str, **figure: Any) -> dict[str, Any]:
    """What a route says of itself: its answer follows schemas/quality.json; the example is invented."""
    example = {
        "view": view, "sentence": sentence, "asked": "", "plots": [], "remarks": [], "found": True,
        "sections": [{"title": title, "figures": [{"spans": [], "counted": "", "details": {}, "boards": []} | figure]}],
        "as_of": EXAMPLE_AS_OF,
        "caution": "A clean history is not a release: the plant's procedure and its authorised people decide.",
    }  # fmt: skip
    return {"summary": summary, "response_model": None, "responses": shaped("quality", example)}


@router.get("/quality/yield", **_told(
    "Yields and DPMO", "yield", "First-pass yield at aoi is 97.50%.", "First-pass yield", name="aoi top", value=0.975, unit="share",
    number=195, of=200, counted="boards", spans=[{"low": 0.943, "high": 0.989, "level": 0.95, "method": "Wilson"}],
    boards=["HW-000052", "HW-000085", "HW-000101", "HW-000132", "HW-000177"],
))  # fmt: skip
def yields(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Yield, Query()]
) -> Response:
    """Each figure with its interval and the boards behind it (schemas/quality.json)."""
    return _counted_alone(request, record, asked)


@router.get("/quality/charts", **_told(
    "A control chart", "charts", "2 of 48 points break a rule.", "Limits", name="centre", value=246.1, unit="C",
))  # fmt: skip
def charts(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Charts, Query()]
) -> Response:
    """Points, limits, and what the rules found (schemas/quality.json)."""
    return _counted_alone(request, record, asked)


@router.get("/quality/capability", **_told(
    "Capability of a process", "capability", "Cpk is 1.42 (1.21 to 1.63).", "Indices", name="Cpk", value=1.42, unit="", of=240,
    counted="values", spans=[{"low": 1.21, "high": 1.63, "level": 0.95, "method": "Bissell"}],
))  # fmt: skip
def capability(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Capability, Query()]
) -> Response:
    """Told only where there are values enough (schemas/quality.json)."""
    return _counted_alone(request, record, asked)


@router.get("/quality/paste", **_told(
    "Printed paste", "paste", "The median pad holds 97.1 % of its aperture.", "Pads, the least even first", name="U1 7", value=0.71,
    unit="share", of=120, counted="prints",
))  # fmt: skip
def paste(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Paste, Query()]
) -> Response:
    """Pads, offsets, drift, what inspection can tell of later defects (schemas/quality.json)."""
    return _counted_alone(request, record, asked)


@router.get("/quality/occurrence", **_told(
    "Where defects came to be", "occurrence", "Of 9 confirmed defects 4 were abnormal at paste printing (19% to 73% of all).",
    "Point of occurrence of confirmed defects", name="paste printing", value=0.444, unit="share", number=4, of=9,
    counted="confirmed defects", spans=[{"low": 0.189, "high": 0.733, "level": 0.95, "method": "Wilson"}],
    details={"share of those told": 0.5, "told": 8}, boards=["HW-000052", "HW-000085", "HW-000101"],
))  # fmt: skip
def occurrence(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Occurrence, Query()]
) -> Response:
    """Shares by the first abnormal observation at the defect's spot, relative risks of reels, slots, nozzles, places and paste,
    the top-up loop, and what came before each defect, each with its boards (schemas/quality.json). What comes with a defect
    need not be its cause."""
    return _counted_alone(request, record, asked)


@router.get("/quality/gauge", **_told(
    "Repeatability of measuring machines", "gauge", "height: the gauge takes 8.4 % of the study variation.", "Gauge study of height",
    name="gauge", value=0.0021, unit="sd", details={"% of study": 8.4},
))  # fmt: skip
def gauge(
    request: Request, record: Reading, user: Reader, asked: Annotated[quality.Gauge, Query()]
) -> Response:
    """Gauge R&R of each value that verifications repeat, and what machines found of what they had to (schemas/quality.json)."""
    return _counted_alone(request, record, asked)


@router.get("/flow/line", **_told(
    "What the line does", "line", "place2 holds the line up.", "Throughput", name="boards an hour", value=118.2, unit="boards/h",
))  # fmt: skip
def line(request: Request, record: Reading, user: Reader, asked: Annotated[flow.Line, Query()]) -> Response:
    """Throughput, boards in process, what holds the line up, balance (schemas/quality.json). As of the newest commit only."""
    return _counted_alone(request, record, asked)


@router.get("/flow/stations", **_told(
    "What each station does", "stations", "place2 has the longest cycle.", "Cycle", name="place2", value=30.4, unit="s", of=212,
    counted="boards",
))  # fmt: skip
def stations(
    request: Request, record: Reading, user: Reader, asked: Annotated[flow.Stations, Query()]
) -> Response:
    """Cycle, stay, busy, blocked and starved shares (schemas/quality.json). As of the newest commit only."""
    return _counted_alone(request, record, asked)


@router.get("/flow/changes", **_told(
    "Changeovers", "changes", "3 changeovers, the median took 14 min.", "Changeovers", name="place1", value=840, unit="s",
))  # fmt: skip
def changes(
    request: Request, record: Reading, user: Reader, asked: Annotated[flow.Changes, Query()]
) -> Response:
    """From program to program (schemas/quality.json). As of the newest commit only."""
    return _counted_alone(request, record, asked)


@router.get("/flow/time", **_told(
    "Where stations' time goes", "time", "place2 was down for 4 % of the time.", "Time by state", name="place2 productive",
    value=0.71, unit="share",
))  # fmt: skip
def time(request: Request, record: Reading, user: Reader, asked: Annotated[flow.Time, Query()]) -> Response:
    """The six states of SEMI E10, failures, repairs, OEE, alarms (schemas/quality.json). As of the newest commit only."""
    return _counted_alone(request, record, asked)


def _counted_alone(request: Request, record: Record, asked: Question) -> Response:
    """The answer, once nobody else counts. Raises Problem after a minute."""
    if not _COUNTING.acquire(timeout=_PATIENCE_S):
        raise Problem(503, "other figures are being counted: try again", headers={"Retry-After": "30"})
    try:
        found = asked.answer(record)
    finally:
        _COUNTING.release()
    return answer(request, found)

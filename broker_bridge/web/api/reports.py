"""A board's report as one file."""

import threading
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.errors import UsageError
from broker_bridge.queries.boards import board
from broker_bridge.queries.family import with_family
from broker_bridge.report.content import report
from broker_bridge.report.page import page, policy
from broker_bridge.report.paper import pdf
from broker_bridge.web.answers import tagged
from broker_bridge.web.api.boards import At, Identifier, Kind, Position
from broker_bridge.web.api.shapes import PROBLEM
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Reader, Reading

router = APIRouter(tags=["boards"])

_LAYING_OUT: Final = threading.BoundedSemaphore(1)
"""Pages take seconds of a whole core: one at a time, so that a record's other readers do not wait for many."""

_FILES: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "the file", "content": {"text/html": {"schema": {"type": "string"}},
                                                 "application/pdf": {"schema": {"type": "string", "format": "binary"}}}},
    501: {"description": "the extra that lays out pages is not installed", **PROBLEM},
}  # fmt: skip


@router.get(
    "/board/report",
    summary="A board's report as one file",
    responses=_FILES,
    response_model=None,
    response_class=Response,
)
def file(
    request: Request, record: Reading, user: Reader, identifier: Identifier, kind: Kind = None, position: Position = None,
    at: At = None,
    form: Annotated[Literal["html", "pdf"], Query(description="pdf takes seconds, one at a time")] = "html",
    paper: Annotated[Literal["a4", "letter"], Query(description="size to print on")] = "a4",
) -> Response:  # fmt: skip
    """History, what it stands on, hashes and cautions; nothing else is needed to show or print it. The same record as of
    the same commit gives the same bytes."""
    history = with_family(record, board(record, identifier, kind=kind, position=position, at=at))
    made = page(report(record, history), paper)
    headers = {
        "content-disposition": f'inline; filename="report.{form}"',
        "content-security-policy": f"{policy(paper)}; frame-ancestors 'none'",
    }
    if form == "html":
        return tagged(request, made, "text/html; charset=utf-8", headers=headers)
    if not _LAYING_OUT.acquire(timeout=20):
        raise Problem(503, "another report is being laid out: try again", headers={"Retry-After": "10"})
    try:
        return tagged(request, pdf(made), "application/pdf", headers=headers)
    except UsageError as error:
        raise Problem(501, str(error)) from error
    finally:
        _LAYING_OUT.release()

"""Lists over many boards: defects, work orders."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Query, Request
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.responses import Response

from broker_bridge.queries.balance import balance_of
from broker_bridge.queries.defects import defects, since_verification
from broker_bridge.trace.listing import Wanted
from broker_bridge.web.answers import answer
from broker_bridge.web.api.boards import At
from broker_bridge.web.api.shapes import shaped
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import Reader, Reading

_TURNS: Final = threading.BoundedSemaphore(4)
"""They may have to make many histories first, and the service has others to answer."""


def turn() -> Iterator[None]:
    """One of few lists at once. Raises Problem."""
    turns = _TURNS  # the one that was taken is given back
    if not turns.acquire(timeout=_PATIENCE_S):
        raise Problem(
            503, "lists over many boards are being made already: try again", headers={"Retry-After": "10"}
        )
    try:
        yield
    finally:
        turns.release()


router = APIRouter(tags=["lists"], dependencies=[Depends(turn)])

_PATIENCE_S: Final = 5.0

Name = Annotated[str | None, Field(min_length=1, max_length=512)]


class Choice(BaseModel):
    """Conditions that all have to hold; absent ones do not."""

    model_config = ConfigDict(extra="forbid")

    station: Name = None
    line: Name = None
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None
    designator: Name = None
    open: bool = False
    escaped: bool = False
    left_with_open: bool = False
    any_purpose: bool = False
    at: Annotated[int | None, Field(ge=0, lt=2**63)] = None

    def wanted(self) -> Wanted:
        """As the query takes it."""
        return Wanted(
            self.station, self.line, _utc(self.since), _utc(self.until), self.designator, self.open, self.escaped,
            self.left_with_open, self.any_purpose,
        )  # fmt: skip


def _utc(time: datetime | None) -> datetime | None:
    return None if time is None else time.astimezone(UTC)


@router.get(
    "/defects",
    summary="Defects and unjudged calls of many boards",
    response_model=None,
    responses=shaped("defects"),
)
def called(request: Request, record: Reading, user: Reader, choice: Annotated[Choice, Query()]) -> Response:
    """In order of the calls, with what became of each (schemas/defects.json)."""
    return answer(request, defects(record, choice.wanted(), at=choice.at))


@router.get(
    "/unproven",
    summary="Boards an inspection machine saw since its last good verification",
    response_model=None,
    responses=shaped("unproven"),
)
def unproven(
    request: Request, record: Reading, user: Reader,
    equipment: Annotated[str, Query(min_length=1, max_length=512, examples=["aoi"])], at: At = None,
) -> Response:  # fmt: skip
    """By the machine's own number or its station (schemas/unproven.json)."""
    return answer(request, since_verification(record, equipment, at=at))


@router.get("/balance", summary="A work order's boards", response_model=None, responses=shaped("balance"))
def balance(
    request: Request, record: Reading, user: Reader,
    order: Annotated[str, Query(min_length=1, max_length=512, examples=["WO-2601"])],
    end: Annotated[str | None, Query(min_length=1, max_length=512, description="the station after which a board is finished")] = None,
    idle_hours: Annotated[float, Query(gt=0, le=100_000)] = 24.0, at: At = None,
) -> Response:  # fmt: skip
    """started = finished + scrapped + in process + not accounted for, each a list (schemas/balance.json)."""
    return answer(request, balance_of(record, order, end=end, idle=timedelta(hours=idle_hours), at=at))

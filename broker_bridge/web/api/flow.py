"""How boards flow: the line, its stations, changeovers, where stations' time goes. One question at a time."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from broker_bridge.errors import UsageError
from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
from broker_bridge.queries.flow_columns import read_flow
from broker_bridge.queries.flow_time import flow_time
from broker_bridge.trace.quality import Answer
from broker_bridge.web.api.figures import Conditions, counted_alone
from broker_bridge.web.site import Reader, Reading

router = APIRouter(tags=["figures"])


@router.get("/flow/{view}", summary="How boards flow", response_model=None)
def flow(
    request: Request, record: Reading, user: Reader, view: Literal["line", "stations", "changes", "time"],
    asked: Annotated[Conditions, Query()],
) -> Response:  # fmt: skip
    """line: throughput, boards in process, what holds it up, balance; stations: cycle, blocked and starved; changes:
    changeovers; time: the six states of SEMI E10, OEE, alarms (schemas/quality.json). As of the newest commit only."""

    def made() -> Answer:
        as_of = record.as_of()
        if asked.at not in (None, as_of.commit):
            raise UsageError(
                "flow is told as of the newest commit here; `broker-bridge flow --at` tells an older one"
            )
        choice = asked.choice()
        found, words = read_flow(record, choice, as_of), choice.words()
        match view:
            case "line":
                return flow_line(found, words, level=asked.level)
            case "stations":
                return flow_stations(found, words, level=asked.level)
            case "changes":
                return flow_changes(found, words, level=asked.level)
        return flow_time(record, found, words, level=asked.level)

    return counted_alone(request, made)

"""Flow: what the line does with time. Answers as `flow` of the terminal has them."""

from functools import partial
from typing import Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from broker_bridge.errors import NotFound, UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer
from broker_bridge.web.jobs import Told, Working
from broker_bridge.web.pages.choices import FIELDS, choice, told
from broker_bridge.web.pages.figure_view import figure_view
from broker_bridge.web.pages.frame import PATIENCE_S, served, working
from broker_bridge.web.site import Here, Reader, Reading

router = APIRouter()

VIEWS: Final = (
    ("line", "Line", "throughput, boards in process, what bounds the line, balance"),
    ("stations", "Stations", "cycle, stay, busy, blocked and starved shares of each station"),
    ("changes", "Changeovers", "from program to program"),
    ("time", "Time", "the six states of SEMI E10, failures, repairs, overall effectiveness, alarms"),
)


@router.get("/flow")
def flow(request: Request, site: Here, record: Reading, user: Reader, view: str = "line") -> Response:
    """One view, of what is asked for."""
    names = [key for key, _, _ in VIEWS]
    if view not in names:
        raise UsageError(f"there is no view {view!r}; there are {', '.join(names)}")
    said = told(request)
    key = ("flow", view, tuple(sorted(said.items())), record.as_of())
    chosen, found, wrong = choice(said), None, ""
    try:
        answer = site.jobs.ask(key, partial(_answer, view, chosen), PATIENCE_S)
        if isinstance(answer, Working):
            return working(request, answer)
        found = figure_view(answer)
    except (NotFound, UsageError) as error:
        wrong = str(error)
    return served(
        request, "figures.html", found=found, wrong=wrong, title="Flow", path="/flow", views=VIEWS, view=view, fields=FIELDS,
        more=(), said=said, series=(), empty=not record.as_of().number,
    )  # fmt: skip


def _answer(view: str, chosen: Choice, record: Record, progress: Told) -> Answer:
    from broker_bridge.queries.flow import flow_changes, flow_line, flow_stations
    from broker_bridge.queries.flow_columns import read_flow
    from broker_bridge.queries.flow_time import flow_time

    read = read_flow(record, chosen, record.as_of(), progress)
    words = chosen.words()
    match view:
        case "line":
            return flow_line(read, words, quicker={}, level=0.95)
        case "stations":
            return flow_stations(read, words, level=0.95)
        case "changes":
            return flow_changes(read, words, level=0.95)
    return flow_time(
        record, read, words, ideal={}, planned=None, standard="iso", level=0.95, progress=progress
    )

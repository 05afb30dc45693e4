"""Quality and flow: answers as the terminal has them, and a form that narrows the question."""

from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

from fastapi import APIRouter, Request
from starlette.responses import Response

from broker_bridge.errors import NotFound, UsageError
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer
from broker_bridge.web.jobs import Told, Working
from broker_bridge.web.pages.figure_view import figure_view
from broker_bridge.web.pages.frame import PATIENCE_S, served, working
from broker_bridge.web.questions import FLOW, QUALITY, Question, asked
from broker_bridge.web.site import Here, Reader, Reading, Site

router = APIRouter()

_LONGEST: Final = 512


class Field(NamedTuple):
    """A field of the form."""

    name: str
    label: str
    words: tuple[tuple[str, str], ...] = ()
    """What it can be, and how that is called; free where there is none. Empty: not asked."""
    offered: tuple[str, ...] = ()
    """What a free text is, for instance."""
    needed: bool = False
    time: bool = False


class View(NamedTuple):
    """A question that can be asked."""

    key: str
    label: str
    what: str
    fields: tuple[Field, ...] = ()


def _of(*words: str, empty: str | None = None) -> tuple[tuple[str, str], ...]:
    return (*((("", empty),) if empty is not None else ()), *((word, word) for word in words))


_STAGE: Final = Field("stage", "As", _of("reviewed", "inspected", "reworked"))
_ROWS: Final = Field("every", "Rows", (("", "the first"), ("true", "all")))
_SERIES: Final = Field("series", "What", needed=True, offered=(
    "failed", "defects", "calls", "paste:volume", "paste:height", "paste:area", "reading:NAME", "test:NAME", "work:NAME",
    "print:NAME",
))  # fmt: skip
_CHART: Final = _of("i-mr", "xbar-r", "xbar-s", "p", "np", "c", "u", "ewma", "cusum", empty="as fits")
_GROUP: Final = _of(
    "station",
    "side",
    "line",
    "equipment",
    "part",
    "program",
    "order",
    "position",
    "day",
    "hour",
    empty="not split",
)
_FACTOR: Final = _of(
    "component part", "position", "designator", "slot", "nozzle", "reel", "lot", "paste call", empty="all"
)

WHERE: Final = (
    Field("line", "Line"), Field("station", "Station"), Field("part", "Part"), Field("program", "Program"),
    Field("side", "Side", _of("top", "bottom", empty="both")), Field("order", "Work order"),
)  # fmt: skip
WHEN: Final = (Field("since", "From, UTC", time=True), Field("until", "Until, UTC", time=True))
COMPONENT: Final = (Field("designator", "Designator"),)

QUALITY_VIEWS: Final = (
    View("yield", "Yield", "first pass, rolled throughput, defects per opportunity, false calls, escapes",
         (_STAGE, Field("by", "By", _GROUP))),
    View("charts", "Control charts", "a value or a share in order of time, with its limits and what its rules hit", (
        _SERIES, Field("kind", "Chart", _CHART), Field("rules", "Rules", (("we", "Western Electric"), ("nelson", "Nelson"), ("limits", "limits alone"))),
        Field("per", "Counts per", _of("hour", "day", "order", "panel")), _STAGE,
    )),
    View("capability", "Capability", "a value against its limits",
         (_SERIES, Field("lower", "Lower limit"), Field("upper", "Upper limit"))),
    View("paste", "Paste", "transfer, stroke, drift, print offset", (Field("by", "By", _of("pad", "component")), _ROWS)),
    View("occurrence", "Occurrence", "where confirmed defects came to be, and what comes with them",
         (Field("within", "Only among equal", _FACTOR), _ROWS)),
    View("gauge", "Gauges", "repeatability of measuring machines, and what they find of what they have to, from verifications in the record",
         (Field("method", "Method", _of("anova", "range")), Field("tolerance", "Tolerance"))),
)  # fmt: skip
FLOW_VIEWS: Final = (
    View("line", "Line", "throughput, boards in process, what bounds the line, balance"),
    View("stations", "Stations", "cycle, stay, busy, blocked and starved shares of each station"),
    View("changes", "Changeovers", "from program to program"),
    View("time", "Time", "the six states of SEMI E10, failures, repairs, overall effectiveness, alarms"),
)


@router.get("/quality")
def quality(request: Request, site: Here, record: Reading, user: Reader, view: str = "yield") -> Response:
    """One view of how good it is, of what is asked for."""
    chosen = _chosen(QUALITY_VIEWS, view)
    narrowed = WHERE + (() if view == "gauge" else COMPONENT) + WHEN
    return _shown(request, site, record, "Quality", QUALITY_VIEWS, chosen, QUALITY[view], narrowed)


@router.get("/flow")
def flow(request: Request, site: Here, record: Reading, user: Reader, view: str = "line") -> Response:
    """One view of how boards flow, of what is asked for."""
    chosen = _chosen(FLOW_VIEWS, view)
    return _shown(request, site, record, "Flow", FLOW_VIEWS, chosen, FLOW[view], WHERE + WHEN)


def _chosen(views: Iterable[View], key: str) -> View:
    there = {view.key: view for view in views}
    if key not in there:
        raise UsageError(f"there is no view {key!r}; there are {', '.join(there)}")
    return there[key]


def _shown(
    request: Request, site: Site, record: Record, title: str, views: Sequence[View], view: View,
    kind: type[Question], narrowed: tuple[Field, ...],
) -> Response:  # fmt: skip
    said = _said(request, view.fields + narrowed)
    found, wrong = None, ""
    if all(field.name in said for field in view.fields if field.needed):
        try:
            answer = _answer(site, record, title, view.key, asked(kind, said))
        except (NotFound, UsageError) as error:
            wrong = str(error)
        else:
            if isinstance(answer, Working):
                return working(request, answer)
            found = figure_view(answer)
    return served(
        request, "figures.html", found=found, wrong=wrong, title=title, views=views, view=view, narrowed=narrowed,
        said=said, narrow=any(field.name in said for field in narrowed), empty=not record.as_of().number,
    )  # fmt: skip


def _answer(site: Site, record: Record, title: str, view: str, question: Question) -> Any:
    def answered(record: Record, progress: Told) -> Answer:
        return question.answer(record, progress)

    return site.jobs.ask((title, view, question, record.as_of()), answered, PATIENCE_S)


def _said(request: Request, fields: Iterable[Field]) -> dict[str, str]:
    """What the address says of the fields. Raises UsageError for what is too long."""
    found: dict[str, str] = {}
    for field in fields:
        text = request.query_params.get(field.name, "").strip()
        if len(text) > _LONGEST:
            raise UsageError(f"{field.name} is longer than {_LONGEST} characters")
        if text:
            found[field.name] = text
    return found

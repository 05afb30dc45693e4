"""Quality: yields, charts, capability, paste, where defects came to be, gauges. Answers as `quality` of the terminal has them."""

from collections.abc import Mapping
from functools import partial
from typing import Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from broker_bridge.errors import NotFound, UsageError
from broker_bridge.queries.choice import Choice
from broker_bridge.queries.record import Record
from broker_bridge.trace.quality import Answer
from broker_bridge.web.jobs import Told, Working
from broker_bridge.web.pages.choices import FIELDS, choice, number, told
from broker_bridge.web.pages.figure_view import figure_view
from broker_bridge.web.pages.frame import PATIENCE_S, served, working
from broker_bridge.web.site import Here, Reader, Reading

router = APIRouter()

VIEWS: Final = (
    ("yield", "Yield", "first pass, rolled throughput, defects per opportunity, false calls, escapes"),
    ("charts", "Control charts", "a value or a share in order of time, with its limits and what its rules hit"),
    ("capability", "Capability", "a value against its limits"),
    ("paste", "Paste", "transfer, stroke, drift, print offset"),
    ("occurrence", "Occurrence", "what came before each confirmed defect"),
    ("gauge", "Gauges", "repeatability of measuring machines, from verifications in the record"),
)  # fmt: skip
MORE: Final[Mapping[str, tuple[tuple[str, str, tuple[str, ...]], ...]]] = {
    "yield": (("stage", "As", ("reviewed", "inspected", "reworked")), ("by", "By", ("", "station", "side", "line", "equipment", "part", "program", "order", "position", "day", "hour"))),
    "charts": (
        ("series", "What", ()), ("kind", "Chart", ("", "i-mr", "xbar-r", "xbar-s", "p", "np", "c", "u", "ewma", "cusum")),
        ("rules", "Rules", ("we", "nelson", "limits")), ("per", "Counts per", ("hour", "day", "order", "panel")),
        ("stage", "As", ("reviewed", "inspected", "reworked")),
    ),
    "capability": (("series", "What", ()), ("lower", "Lower limit", ()), ("upper", "Upper limit", ())),
    "paste": (("by", "By", ("pad", "component")),),
    "occurrence": (("within", "Only among equal", ()),),
    "gauge": (("method", "Method", ("anova", "range")), ("tolerance", "Tolerance", ())),
}  # fmt: skip
"""Further fields of each view: name, label, and the words it can have; free where there are none."""
SERIES: Final = (
    "failed", "defects", "calls", "paste:volume", "paste:height", "paste:area", "reading:NAME", "test:NAME", "work:NAME",
    "print:NAME",
)  # fmt: skip


@router.get("/quality")
def quality(request: Request, site: Here, record: Reading, user: Reader, view: str = "yield") -> Response:
    """One view, of what is asked for."""
    names = [key for key, _, _ in VIEWS]
    if view not in names:
        raise UsageError(f"there is no view {view!r}; there are {', '.join(names)}")
    said = told(request, *(name for name, _, _ in MORE[view]))
    chosen = choice(said)
    base = {
        "title": "Quality", "path": "/quality", "views": VIEWS, "view": view, "fields": FIELDS, "more": MORE[view], "said": said,
        "series": SERIES, "empty": not record.as_of().number,
    }  # fmt: skip
    if view in ("charts", "capability") and "series" not in said:
        return served(request, "figures.html", found=None, wrong="", **base)
    key = ("quality", view, tuple(sorted(said.items())), record.as_of())
    try:
        answer = site.jobs.ask(key, partial(_answer, view, said, chosen), PATIENCE_S)
    except (NotFound, UsageError) as error:
        return served(request, "figures.html", found=None, wrong=str(error), **base)
    if isinstance(answer, Working):
        return working(request, answer)
    return served(request, "figures.html", found=figure_view(answer), wrong="", **base)


def _answer(view: str, said: dict[str, str], chosen: Choice, record: Record, progress: Told) -> Answer:
    return _OF[view](record, chosen, said, progress)


def _yield(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    from broker_bridge.queries.columns import read_columns
    from broker_bridge.queries.parts import read_parts
    from broker_bridge.queries.quality_yield import quality_yield

    as_of = record.as_of()
    columns = read_columns(record, as_of, progress)
    stage = _one("stage", said, "reviewed", ("reviewed", "inspected", "reworked"))
    return quality_yield(columns, read_parts(record, as_of), chosen, stage=stage, by=said.get("by"))


def _series(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    from broker_bridge.queries.columns import read_columns
    from broker_bridge.queries.columns_paste import read_paste
    from broker_bridge.queries.quality_charts import quality_capability, quality_charts
    from broker_bridge.queries.quality_series import COUNTED, counted, measured, paste_series

    as_of, what, words = record.as_of(), said["series"], chosen.words()
    capability = "lower" in said or "upper" in said or said.get("view") == "capability"
    counts = what in COUNTED
    if counts and capability:
        raise UsageError(f"capability of {what}: counts have no limits; take a control chart")
    if counts:
        stage = _one("stage", said, "reviewed", ("reviewed", "inspected", "reworked"))
        series = counted(
            read_columns(record, as_of, progress), chosen, what, said.get("per", "hour"), stage, None
        )
    elif what.partition(":")[0] == "paste":
        name = what.partition(":")[2] or "volume"
        wanted = (name, f"{name}_lower", f"{name}_upper")
        series = paste_series(read_paste(record, as_of, chosen, wanted, progress), chosen, what, None)
    else:
        series = measured(record, as_of, chosen, what, None, progress)
    if capability:
        return quality_capability(
            series, as_of, words, lower=number(said, "lower"), upper=number(said, "upper"), target=None, size=1, least=25,
            level=0.95,
        )  # fmt: skip
    kind = said.get("kind") or (("p" if what == "failed" else "u") if counts else "i-mr")
    return quality_charts(
        series,
        kind,
        as_of,
        words,
        rules=said.get("rules", "we"),
        size=5,
        baseline=None,
        target=None,
        sigma=None,
    )


def _capability(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    return _series(record, chosen, {**said, "view": "capability"}, progress)


def _paste(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    from broker_bridge.queries.columns_paste import read_paste
    from broker_bridge.queries.parts import read_parts
    from broker_bridge.queries.quality_paste import COLUMNS, quality_paste

    as_of = record.as_of()
    paste = read_paste(record, as_of, chosen, COLUMNS, progress)
    by = _one("by", said, "pad", ("pad", "component"))
    return quality_paste(
        paste, read_parts(record, as_of), chosen, by=by, openings=None, level=0.95, every=False
    )


def _occurrence(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    from broker_bridge.queries.columns import read_columns
    from broker_bridge.queries.columns_oven import read_oven
    from broker_bridge.queries.columns_paste import read_paste
    from broker_bridge.queries.columns_placements import read_placements
    from broker_bridge.queries.parts import read_parts
    from broker_bridge.queries.quality_looks import defects
    from broker_bridge.queries.quality_occurrence import EDGES, Ground, quality_occurrence

    as_of = record.as_of()
    columns = read_columns(record, as_of, progress)
    affected = {defect.board for defect in defects(columns, columns.chosen(chosen))}
    everywhere = Choice(any_purpose=True)  # what came before is told by other stations, at other times
    ground = Ground(
        columns, read_parts(record, as_of), read_paste(record, as_of, everywhere, ("volume",), progress),
        read_placements(record, columns.boards, as_of, progress), read_oven(record, columns.boards, affected, as_of, progress),
    )  # fmt: skip
    return quality_occurrence(
        ground, chosen, within=said.get("within"), controls=0, seed=1, edges=EDGES, level=0.95, every=False
    )


def _gauge(record: Record, chosen: Choice, said: dict[str, str], progress: Told) -> Answer:
    from broker_bridge.queries.quality_gauge import quality_gauge, read_verifications

    as_of = record.as_of()
    verified = read_verifications(record, as_of, chosen, progress)
    return quality_gauge(
        verified.values, as_of, chosen.words(), method=_one("method", said, "anova", ("anova", "range")),
        tolerance=number(said, "tolerance"), verified=verified,
    )  # fmt: skip


def _one(name: str, said: dict[str, str], otherwise: str, words: tuple[str, ...]) -> str:
    word = said.get(name, otherwise)
    if word not in words:
        raise UsageError(f"{name} = {word!r}: there are {', '.join(words)}")
    return word


_OF: Final = {
    "yield": _yield, "charts": _series, "capability": _capability, "paste": _paste, "occurrence": _occurrence, "gauge": _gauge,
}  # fmt: skip

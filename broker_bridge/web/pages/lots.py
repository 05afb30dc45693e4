"""Lots: where something was used, frozen answers."""

from datetime import datetime
from functools import partial
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from broker_bridge.errors import UsageError
from broker_bridge.queries.acting import reason
from broker_bridge.queries.frozen import compared, freeze, frozen, names, proven
from broker_bridge.queries.record import Record
from broker_bridge.queries.where_used import where_used
from broker_bridge.trace.recall import Answer, Asked
from broker_bridge.web.api.acts import kept_as
from broker_bridge.web.api.lots import Question
from broker_bridge.web.jobs import Told, Working
from broker_bridge.web.pages import addresses
from broker_bridge.web.pages.forms import filled
from broker_bridge.web.pages.frame import PATIENCE_S, served, working
from broker_bridge.web.pages.lot_view import frozen_view, lot_view
from broker_bridge.web.pages.sign import Acting, Form, field
from broker_bridge.web.site import Here, Reader, Reading

router = APIRouter()

KINDS: Final = (
    ("text", "anything of that name"), ("lot", "lot of a maker"), ("reel", "reel, tray, jar or bag"), ("tool", "tool or fixture"),
    ("program", "program"), ("equipment", "machine by its serial"), ("station", "station, in a time"),
)  # fmt: skip
_ASKED: Final = ("text", "lot", "reel", "tool", "program", "equipment", "station")
_MORE: Final = ("program_revision", "part", "since", "until", "exceeded_life")

Text = Annotated[str | None, Query(max_length=512)]


@router.get("/lot")
def lot(
    request: Request, site: Here, record: Reading, user: Reader, kind: Text = None, value: Text = None, text: Text = None,
    lot: Text = None, reel: Text = None, tool: Text = None, program: Text = None, program_revision: Text = None,
    equipment: Text = None, station: Text = None, since: Text = None, until: Text = None, part: Text = None,
    exceeded_life: Text = None,
) -> Response:  # fmt: skip
    """The question, and its answer where one is asked."""
    told = {
        "text": text, "lot": lot, "reel": reel, "tool": tool, "program": program, "program_revision": program_revision,
        "equipment": equipment, "station": station, "since": since, "until": until, "part": part,
        "exceeded_life": exceeded_life,
    }  # fmt: skip
    if kind or value:
        # The form names a kind; the address of an answer is the one that links have.
        if kind not in _ASKED:
            raise UsageError(f"{kind!r} is nothing to ask for; there are {', '.join(_ASKED)}")
        more = {name: told[name] for name in _MORE} if kind == "station" else {"part": part}
        return RedirectResponse(addresses.lot(**{kind: value}, **more), 303)
    if not any(told[name] for name in _ASKED) and not exceeded_life:
        return served(
            request, "lot_ask.html", kinds=KINDS, frozen=names(site.records.url), as_of=record.as_of()
        )
    asked = _asked(told)
    found = site.jobs.ask(("lot", asked, record.as_of()), partial(_used, asked), PATIENCE_S)
    if isinstance(found, Working):
        return working(request, found)
    view = lot_view(found)
    return served(request, "lot.html", view=view, kinds=KINDS, frozen=names(site.records.url))


@router.post("/lot/freeze")
def keep(request: Request, site: Here, record: Reading, user: Acting, sent: Form) -> Response:
    """Freeze an answer as of now."""
    told = {name: field(sent, name) or None for name in (*_ASKED, *_MORE)}
    name = field(sent, "name")
    why = reason(field(sent, "why", 2000))
    freeze(site.records.url, name, where_used(record, _asked(told)), who=kept_as(site, user), why=why)
    return RedirectResponse(f"/lot/frozen/{name}", 303)


@router.get("/lot/frozen/{name}")
def kept(request: Request, site: Here, record: Reading, user: Reader, name: str) -> Response:
    """A frozen answer, and what is different today."""
    document = frozen(site.records.url, name)
    asked = _again(document["answer"]["asked"])
    today = where_used(record, asked)
    view = frozen_view(name, document, proven(site.records.url, document), today, compared(document, today))
    return served(request, "frozen.html", view=view, who=document.get("who"), why=document.get("why"))


def _used(asked: Asked, record: Record, told: Told) -> Answer:
    def settling(done: int, there: int) -> None:
        told(
            done / max(1, there),
            f"putting the histories of boards in order: {done:,} of {there:,} identifiers",
        )

    return where_used(record, asked, progress=settling)


def _asked(told: dict[str, Any]) -> Asked:
    """The question. Raises UsageError."""
    return filled(Question, told.items()).asked()


def _again(asked: dict[str, Any]) -> Asked:
    times = {"from": "from_", "to": "to"}
    said: dict[str, Any] = {
        times.get(name, name): datetime.fromisoformat(value) if name in times else value
        for name, value in asked.items()
    }
    return Asked(**said)

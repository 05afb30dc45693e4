"""The frame of every page: templates that escape everything, who looks, what leads where."""

from pathlib import Path
from typing import Any, Final

import jinja2
from fastapi import Request
from starlette.responses import HTMLResponse, Response

from broker_bridge.errors import BridgeError
from broker_bridge.web.access import User
from broker_bridge.web.answers import tagged
from broker_bridge.web.jobs import Working
from broker_bridge.web.pages import addresses, texts
from broker_bridge.web.problems import Problem
from broker_bridge.web.site import session_of, user_or_none
from broker_bridge.words.telling import counted

HERE: Final = Path(__file__).resolve().parent

PATIENCE_S: Final = 2.0
"""So long somebody waits for a page without being told how far it is."""

PAGES: Final = (
    ("Scan", "/"),
    ("Stations", "/stations"),
    ("Lots", "/lot"),
    ("Defects", "/defects"),
    ("Quality", "/quality"),
    ("Flow", "/flow"),
    ("Sources", "/sources"),
)

TEMPLATES: Final = jinja2.Environment(
    loader=jinja2.FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
TEMPLATES.filters.update(
    told=texts.told,
    sentence=texts.sentence,
    name=texts.name,
    when=texts.when,
    age=texts.age,
    plain=texts.plain,
)
TEMPLATES.globals.update(
    to=addresses.to,
    board_address=addresses.board,
    lot_address=addresses.lot,
    order_address=addresses.order,
    counted=counted,
)


def prepare(*templates: str) -> None:
    """Compile templates before somebody waits for them: a long one takes a quarter of a second."""
    for name in templates:
        TEMPLATES.get_template(name)


def page(request: Request, template: str, **more: Any) -> str:
    """A page as HTML."""
    session = session_of(request)
    user = _user(request)
    return TEMPLATES.get_template(template).render(
        pages=PAGES,
        here=request.url.path,
        address=request.url.path + _query(request),
        user=user,
        form=session.form if session else "",
        signed_in=session is not None,
        acts=user is not None and user.may("operate") and session is not None,
        large=request.query_params.get("large") == "1",
        **more,
    )


def served(request: Request, template: str, **more: Any) -> Response:
    """A page as an answer, with a tag that spares sending it again."""
    return tagged(request, page(request, template, **more).encode(), "text/html; charset=utf-8")


def working(request: Request, how_far: Working) -> Response:
    """How far a long question is; the page asks again by itself."""
    told = page(request, "working.html", how_far=how_far)
    return HTMLResponse(told, 202, {"Refresh": "1", "Cache-Control": "no-store"})


def refused(request: Request, problem: Problem) -> Response:
    """A problem for a person; where a token is needed, the way to sign in."""
    if problem.status == 401:
        told = page(request, "sign_in.html", wrong="", behind=request.url.path + _query(request))
    else:
        told = page(request, "problem.html", title=problem.status.phrase, problem=problem)
    return HTMLResponse(told, problem.status, problem.headers)


def _query(request: Request) -> str:
    return f"?{request.url.query}" if request.url.query else ""


def _user(request: Request) -> User | None:
    try:
        return user_or_none(request)
    except (Problem, BridgeError):
        return None

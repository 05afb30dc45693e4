"""What people look at: pages made on the server, no build step, nothing fetched from elsewhere."""

from typing import Final

from fastapi import APIRouter, FastAPI, Request
from fastapi.staticfiles import StaticFiles
from starlette.responses import HTMLResponse, Response

from broker_bridge.web.pages.frame import HERE, page
from broker_bridge.web.problems import Problem

STATIC: Final = HERE / "static"

router = APIRouter(include_in_schema=False)


def mount(app: FastAPI) -> None:
    """Serve what pages are made of."""
    app.mount("/static", StaticFiles(directory=STATIC), name="static")


def problem_page(request: Request, problem: Problem) -> Response:
    """A problem for a person."""
    text = page(request, "problem.html", title=problem.status.phrase, problem=problem)
    return HTMLResponse(text, problem.status, problem.headers)

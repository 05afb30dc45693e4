"""What people look at: pages made on the server, no build step, nothing fetched from elsewhere.

texts, addresses   what a page may hold, and where it leads
*_view, *_picture  pure: an answer in, what its page shows out
others             routes
"""

from typing import Final

from fastapi import APIRouter, FastAPI, Request
from fastapi.staticfiles import StaticFiles
from starlette.responses import Response

from broker_bridge.web.pages.boards import router as boards
from broker_bridge.web.pages.figures import router as figures
from broker_bridge.web.pages.frame import HERE, refused
from broker_bridge.web.pages.lists import router as lists
from broker_bridge.web.pages.lots import router as lots
from broker_bridge.web.pages.sign import router as sign
from broker_bridge.web.pages.sources import router as sources
from broker_bridge.web.pages.stations import router as stations
from broker_bridge.web.problems import Problem

STATIC: Final = HERE / "static"

router = APIRouter(include_in_schema=False)
for part in (boards, lists, lots, stations, sources, figures, sign):
    router.include_router(part)


def mount(app: FastAPI) -> None:
    """Serve what pages are made of."""
    app.mount("/static", StaticFiles(directory=STATIC), name="static")


def problem_page(request: Request, problem: Problem) -> Response:
    """A problem for a person."""
    return refused(request, problem)

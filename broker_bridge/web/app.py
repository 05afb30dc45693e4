"""The application: guard around it, errors as problems, routes mounted."""

import asyncio
import contextlib
import functools
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from typing import Any, Final

import orjson
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from broker_bridge.errors import BridgeError
from broker_bridge.web import api, pages
from broker_bridge.web.answers import asks_for_page, tagged
from broker_bridge.web.guard import Guard, Rate
from broker_bridge.web.problems import MEDIA_TYPE, Problem, problem_of
from broker_bridge.web.site import Site

log = logging.getLogger(__name__)

DESCRIPTION: Final = (
    "What the record of a plant knows. Every answer says as of which commit it is. Nothing here means that a board is"
    " good unless an inspection said so, and no answer releases product: the plant's procedure and its authorised"
    " people decide."
)


def create_app(site: Site, *, names: Collection[str], requests_per_minute: int = 1200) -> FastAPI:
    """The application over a site. `names`: the hosts it is reached by."""

    @contextlib.asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        following = asyncio.create_task(site.stations.follow(), name="web live")
        try:
            yield
        finally:
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following
            site.jobs.stop()
            site.records.close()

    app = FastAPI(
        title="Broker Bridge", version="1", description=DESCRIPTION, lifespan=running, openapi_url=None,
        docs_url=None, redoc_url=None,
    )  # fmt: skip
    app.state.site = site
    app.include_router(api.router)
    app.include_router(pages.router)
    pages.mount(app)
    _tell_problems(app)
    _describe(app)
    app.add_middleware(Guard, names=names, rate=Rate(requests_per_minute, site.now))
    return app


def _describe(app: FastAPI) -> None:
    """The description of the interface (OpenAPI 3.1), with the schemas that operations refer to."""

    @functools.cache
    def described() -> bytes:
        document = app.openapi()
        document["components"]["schemas"].update(api.components())
        return orjson.dumps(document)

    # No coroutine: the first time takes a second, in which events have to pass.
    @app.get("/api/v1/openapi.json", include_in_schema=False)
    def description(request: Request) -> Response:
        return tagged(request, described(), "application/json")


def _tell_problems(app: FastAPI) -> None:
    def told(make: Callable[[Any], Problem]) -> Callable[[Request, Any], Awaitable[Response]]:
        async def handler(request: Request, error: Any) -> Response:
            problem = make(error)
            if asks_for_page(request):
                return pages.problem_page(request, problem)
            return JSONResponse(problem.body(), problem.status, problem.headers, media_type=MEDIA_TYPE)

        return handler

    app.add_exception_handler(Problem, told(lambda error: error))
    app.add_exception_handler(BridgeError, told(problem_of))
    app.add_exception_handler(HTTPException, told(_of_http))
    app.add_exception_handler(RequestValidationError, told(_invalid))
    app.add_exception_handler(Exception, told(_unexpected))


def _of_http(error: HTTPException) -> Problem:
    if error.status_code == 404:
        return Problem(
            404,
            "there is nothing at this address; pages lead on from / and /api/v1/openapi.json tells what can be asked",
        )
    if error.status_code == 405:
        return Problem(405, "this address cannot be asked with this method", headers=error.headers)
    return Problem(error.status_code, str(error.detail), headers=error.headers)


def _invalid(error: RequestValidationError) -> Problem:
    wrong = [
        {"where": ".".join(map(str, one["loc"])), "what": one["msg"], "value": repr(one.get("input"))[:120]}
        for one in error.errors()
    ]
    told = "; ".join(f"{one['where']} = {one['value']}: {one['what']}" for one in wrong[:5])
    return Problem(422, told, errors=wrong)


def _unexpected(error: Exception) -> Problem:
    log.error("a request failed in a way nobody foresaw", exc_info=error)
    return Problem(500, "this should not happen; the service's log tells more")

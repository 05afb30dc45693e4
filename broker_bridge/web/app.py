"""The application: guard around it, errors as problems, routes mounted."""

import asyncio
import contextlib
import functools
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from typing import Any, Final

import orjson
from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.types import Lifespan

from broker_bridge.errors import BridgeError
from broker_bridge.web import api, pages
from broker_bridge.web.answers import asks_for_page, tagged
from broker_bridge.web.apart import Answerers, Apart
from broker_bridge.web.api.asking import known_only
from broker_bridge.web.guard import Guard, Rate
from broker_bridge.web.problems import MEDIA_TYPE, Problem, problem_of
from broker_bridge.web.site import Site

log = logging.getLogger(__name__)

DESCRIPTION: Final = (
    "What the record of a plant knows. Every answer says as of which commit it is. Nothing here means that a board is"
    " good unless an inspection said so, and no answer releases product: the plant's procedure and its authorised"
    " people decide."
)


def create_app(
    site: Site, *, names: Collection[str], requests_per_minute: int = 1200, answerers: Answerers | None = None
) -> FastAPI:
    """The application over a site. `names`: the hosts it is reached by. `answerers`: who answers what is answered apart."""

    @contextlib.asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        tasks = [asyncio.create_task(site.stations.follow(), name="web live")]
        if answerers is not None:
            tasks.append(asyncio.create_task(answerers.run(), name="web answerers"))
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            site.jobs.stop()
            site.stations.close()
            site.records.close()

    app = plain_app(site, running)
    if answerers is not None:
        app.add_middleware(Apart, answerers=answerers, records=site.records, told=_told)
    app.add_middleware(Guard, names=names, rate=Rate(requests_per_minute, site.now))
    return app


def plain_app(site: Site, lifespan: Lifespan[FastAPI] | None = None) -> FastAPI:
    """The application without what stands around it."""
    app = FastAPI(
        title="Broker Bridge", version="1", description=DESCRIPTION, lifespan=lifespan, openapi_url=None,
        docs_url=None, redoc_url=None,
    )  # fmt: skip
    app.state.site = site
    app.include_router(api.router)
    app.include_router(pages.router)
    pages.mount(app)
    _tell_problems(app)
    _describe(app)
    return app


def _describe(app: FastAPI) -> None:
    """The description of the interface (OpenAPI 3.1), with the schemas that operations refer to."""

    @functools.cache
    def described() -> bytes:
        document = app.openapi()
        document["components"]["schemas"].update(api.components())
        return orjson.dumps(document)

    # No coroutine: the first time takes a second, in which events have to pass.
    @app.get("/api/v1/openapi.json", include_in_schema=False, dependencies=[Depends(known_only)])
    def description(request: Request) -> Response:
        return tagged(request, described(), "application/json")


def _tell_problems(app: FastAPI) -> None:
    def told(make: Callable[[Any], Problem]) -> Callable[[Request, Any], Awaitable[Response]]:
        async def handler(request: Request, error: Any) -> Response:
            return _told(request, make(error))

        return handler

    app.add_exception_handler(Problem, told(lambda error: error))
    app.add_exception_handler(BridgeError, told(problem_of))
    app.add_exception_handler(HTTPException, told(_of_http))
    app.add_exception_handler(RequestValidationError, told(_invalid))
    app.add_exception_handler(Exception, told(_unexpected))


def _told(request: Request, problem: Problem) -> Response:
    if asks_for_page(request):
        return pages.problem_page(request, problem)
    return JSONResponse(problem.body(), problem.status, problem.headers, media_type=MEDIA_TYPE)


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

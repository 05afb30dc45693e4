"""The interface for programs, /api/v1: JSON as the schemas lay it down, problems as RFC 9457."""

from typing import Final

from fastapi import APIRouter, Depends, Security
from fastapi.security import APIKeyCookie, HTTPBearer

from broker_bridge.web.api.acts import router as acts
from broker_bridge.web.api.asking import known_only
from broker_bridge.web.api.boards import router as boards
from broker_bridge.web.api.events import router as events
from broker_bridge.web.api.figures import router as figures
from broker_bridge.web.api.lists import router as lists
from broker_bridge.web.api.lots import router as lots
from broker_bridge.web.api.rejected import router as rejected
from broker_bridge.web.api.reports import router as reports
from broker_bridge.web.api.shapes import PROBLEM, components
from broker_bridge.web.api.state import health
from broker_bridge.web.api.state import router as state
from broker_bridge.web.sessions import COOKIE

_TOLD: Final = {
    400: "the question makes no sense as it is put",
    401: "a token is needed, or the one given is none of ours",
    403: "the user may not do that",
    404: "not in the record",
    405: "not with this method",
    409: "it names several things, and `candidates` tells which; or a name is taken",
    413: "the body is too large",
    414: "path and query are too long",
    421: "the service is not called so",
    422: "a value is none of its kind, or a parameter is none of this address",
    429: "too many requests",
    500: "the record is damaged, or something nobody foresaw",
    503: "the record cannot be read now, no edge runs for an act, or the table of tokens is damaged",
}

_SIGNED: Final = [
    Security(
        HTTPBearer(auto_error=False, scheme_name="token", description="`broker-bridge tokens add NAME`")
    ),
    Security(
        APIKeyCookie(
            name=COOKIE, auto_error=False, scheme_name="session", description="a browser's, by /sign-in"
        )
    ),
]
"""Told to whoever reads the description; who may do what is decided by each route's user."""

__all__ = ["components", "router"]

router = APIRouter(
    prefix="/api/v1",
    dependencies=[Depends(known_only)],
    responses={status: {"description": text, **PROBLEM} for status, text in _TOLD.items()},
)
for part in (state, boards, reports, lots, lists, figures, events, rejected, acts):
    router.include_router(part, dependencies=_SIGNED)
router.include_router(health)

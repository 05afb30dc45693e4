"""How an answer leaves: as JSON with a tag that says whether it is the one already known."""

import hashlib
from typing import Any, Final

from fastapi import Request
from starlette.responses import Response

from broker_bridge.trace.plain import encoded

API: Final = "/api/"


def asks_for_page(request: Request) -> bool:
    """Whether a person's browser asks for a page."""
    return not request.url.path.startswith(API) and "text/html" in request.headers.get("accept", "")


def answer(request: Request, value: Any, *, status: int = 200) -> Response:
    """A value, a view or a plain object, as JSON."""
    return tagged(request, encoded(value), "application/json", status=status)


def tagged(
    request: Request,
    body: bytes,
    media_type: str,
    *,
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> Response:
    """Bytes with their own hash as entity tag; 304 where the caller has them (RFC 9110, 13.1.2)."""
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    told = {"etag": tag, "cache-control": "private, no-cache", "vary": "Cookie, Authorization"} | (
        headers or {}
    )
    known = request.headers.get("if-none-match")
    if status == 200 and known is not None and _known(known, tag):
        return Response(status_code=304, headers=told)
    return Response(body, status, told, media_type)


def _known(header: str, tag: str) -> bool:
    return header.strip() == "*" or tag in (one.strip().removeprefix("W/") for one in header.split(","))

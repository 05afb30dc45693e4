"""Signing in with a token, and out. Forms of whoever is signed in carry what only a page of ours knows."""

from collections.abc import AsyncIterator
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Query, Request
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from broker_bridge.web.access import User, user_of
from broker_bridge.web.pages.frame import page, served
from broker_bridge.web.problems import Problem
from broker_bridge.web.sessions import COOKIE, LIVES_S
from broker_bridge.web.site import Here, operator

router = APIRouter()


async def form(request: Request) -> AsyncIterator[FormData]:
    """The form that was sent. Raises Problem where another site sent it."""
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
        raise Problem(403, "this did not come from a page of this service")
    async with request.form(max_files=1, max_fields=50) as sent:
        yield sent


Form = Annotated[FormData, Depends(form)]


def acting(request: Request, sent: Form) -> User:
    """A named user who may act and has sent a form of ours. Raises Problem."""
    request.state.form = field(sent, "form")
    return operator(request)


Acting = Annotated[User, Depends(acting)]


def field(sent: FormData, name: str, most: int = 512) -> str:
    """A field's text; empty where there is none. Raises Problem where it is too long."""
    value = sent.get(name)
    text = value if isinstance(value, str) else ""
    if len(text) > most:
        raise Problem(422, f"{name} is longer than {most} characters")
    return text.strip()


@router.get("/sign-in")
def ask(request: Request, behind: Annotated[str, Query(alias="next", max_length=8000)] = "/") -> Response:
    """The form; `next`: where it leads."""
    return served(request, "sign_in.html", wrong="", behind=_inside(behind))


@router.post("/sign-in")
def begin(request: Request, site: Here, sent: Form) -> Response:
    """Takes a token, gives a cookie."""
    user = user_of(site.table(), field(sent, "token"))
    if user is None:
        behind = _inside(field(sent, "next", 8000))
        told = page(request, "sign_in.html", wrong="This token is none of ours.", behind=behind)
        return HTMLResponse(told, 403)
    answer = RedirectResponse(_inside(field(sent, "next", 8000)), 303)
    answer.set_cookie(
        COOKIE,
        site.sessions.begin(user),
        max_age=int(LIVES_S),
        httponly=True,
        samesite="lax",
        secure=site.secure,
    )
    return answer


@router.post("/sign-out")
def end(request: Request, site: Here, sent: Form) -> Response:
    """Forgets the session."""
    if cookie := request.cookies.get(COOKIE):
        site.sessions.end(cookie)
    answer = RedirectResponse("/", 303)
    answer.delete_cookie(COOKIE)
    return answer


def _inside(address: str) -> str:
    """An address of this service, else its first page: a form must not lead elsewhere."""
    safe = address.startswith("/") and not address.startswith(("//", "/\\")) and "\n" not in address
    return address if safe and not address.startswith("/sign-") else "/"

"""What a running web service holds, and what each request is given of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request

from broker_bridge.config import Settings
from broker_bridge.errors import BridgeError
from broker_bridge.queries.record import Record
from broker_bridge.web.access import ANYBODY, Role, User, read_table, user_of
from broker_bridge.web.jobs import Jobs
from broker_bridge.web.problems import Problem
from broker_bridge.web.records import Records
from broker_bridge.web.sessions import COOKIE, Session, Sessions, fits
from broker_bridge.web.stations import Stations

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


@dataclass
class Site:
    """One web service over one record."""

    records: Records
    stations: Stations
    sessions: Sessions
    jobs: Jobs
    now: Callable[[], float]
    """Seconds of a clock that only goes forward."""
    tokens: Path | None = None
    """Table of tokens; None: there are none."""
    settings: Settings | None = None
    """The plant's configuration; None where only a record was named: then nothing can be asked of an edge."""
    secure: bool = False
    """Reached over TLS."""
    closed: bool = False
    """There were tokens: without one nobody gets in any more, also where the last one was taken away."""
    _table: dict[str, User] = field(default_factory=dict)
    _stamp: tuple[int, int] = (-1, -1)

    def table(self) -> dict[str, User]:
        """The users, read anew when their file changed. Raises ConfigError."""
        if self.tokens is None:
            return {}
        try:
            found = self.tokens.stat()
            stamp = found.st_mtime_ns, found.st_ino
        except OSError:
            stamp = (-1, -1)
        if stamp != self._stamp:
            self._table, self._stamp = read_table(self.tokens), stamp
            self.closed = self.closed or bool(self._table)
            self.sessions.drop_unknown(frozenset(self._table.values()))
        return self._table


def site(request: Request) -> Site:
    """The service a request came to."""
    found: Site = request.app.state.site
    return found


async def _here(request: Request) -> Site:
    """The same as a dependency; a coroutine, as what is none costs a way to a thread and back."""
    return site(request)


def reading(request: Request) -> Iterator[Record]:
    """A record for one request."""
    with site(request).records.reading() as record:
        yield record


def session_of(request: Request) -> Session | None:
    """The browser's session, where it has signed in."""
    cookie = request.cookies.get(COOKIE)
    return site(request).sessions.of(cookie) if cookie else None


def user_or_none(request: Request) -> User | None:
    """Who asks, by token or session; None where one is needed and none is given. Raises Problem for a wrong token."""
    here = site(request)
    table = here.table()
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if token:
        found = user_of(table, token.strip()) if scheme.lower() == "bearer" else None
        if found is None:
            raise Problem(401, "this token is none of ours", headers={"WWW-Authenticate": "Bearer"})
        return found
    if session := session_of(request):
        return session.user
    return None if table or here.closed else ANYBODY


def may_read(request: Request) -> bool:
    """Whether whoever asks may read now."""
    try:
        return user_or_none(request) is not None
    except (Problem, BridgeError):
        return False


def reader(request: Request) -> User:
    """A user who may read. Raises Problem."""
    found = user_or_none(request)
    if found is None:
        raise Problem(
            401,
            "a token is needed: Authorization: Bearer ..., or sign in",
            headers={"WWW-Authenticate": "Bearer"},
        )
    return found


def operator(request: Request) -> User:
    """A named user who may act, and means to: a browser's request has to come from a page of ours. Raises Problem."""
    found = reader(request)
    if not found.may("operate") or not found.name:
        raise Problem(
            403,
            "this needs a named user with the role operate (`broker-bridge tokens add NAME --role operate`)",
        )
    if not request.headers.get("authorization"):
        session = session_of(request)
        origin = request.headers.get("origin")
        if session is None or (origin is not None and urlsplit(origin).netloc != request.headers.get("host")):
            raise Problem(403, "this did not come from a page of this service")
        if not fits(session, request.headers.get("x-form", "") or getattr(request.state, "form", "")):
            raise Problem(403, "this form is too old: load its page again")
    return found


def role_needed(role: Role) -> Callable[[Request], User]:
    """The dependency of a role."""
    return operator if role == "operate" else reader


Reading = Annotated[Record, Depends(reading)]
Reader = Annotated[User, Depends(reader)]
Operator = Annotated[User, Depends(operator)]
Here = Annotated[Site, Depends(_here)]

__all__ = ["SAFE", "Here", "Operator", "Reader", "Reading", "Site", "operator", "reader", "reading", "site"]

"""Browsers that signed in: a random id in a cookie, the user in this process's memory. A restart signs all out."""

import hmac
import secrets
from collections.abc import Callable
from typing import Final, NamedTuple

from broker_bridge.web.access import User, hashed

COOKIE: Final = "broker-bridge-session"
LIVES_S: Final = 12 * 3600.0
"""A shift and a half."""
_MOST: Final = 1000


class Session(NamedTuple):
    """One signed-in browser."""

    user: User
    form: str
    """What every form of it carries, so that no other site's page can act in its name."""
    ends: float


class Sessions:
    """`now`: seconds of a clock that only goes forward."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._held: dict[str, Session] = {}

    def begin(self, user: User) -> str:
        """A new session; returns its id for the cookie."""
        self._held = {key: one for key, one in self._held.items() if one.ends > self._now()}
        if len(self._held) >= _MOST:
            del self._held[min(self._held, key=lambda key: self._held[key].ends)]
        session = secrets.token_urlsafe(32)
        self._held[hashed(session)] = Session(user, secrets.token_urlsafe(32), self._now() + LIVES_S)
        return session

    def of(self, session: str) -> Session | None:
        """The session with this id, while it lives."""
        found = self._held.get(hashed(session))
        return found if found is not None and found.ends > self._now() else None

    def end(self, session: str) -> None:
        """Sign out."""
        self._held.pop(hashed(session), None)

    def drop_unknown(self, users: frozenset[User]) -> None:
        """Sign out whose token is gone."""
        self._held = {key: one for key, one in self._held.items() if one.user in users}


def fits(session: Session, form: str) -> bool:
    """Whether a form was made by us for this session."""
    return hmac.compare_digest(session.form, form)

"""Every error as RFC 9457 says (application/problem+json): what kind, what is wrong, what to do."""

import logging
import re
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final

from broker_bridge.errors import (
    Ambiguous,
    BridgeError,
    BusError,
    NoDatabase,
    NotFound,
    RecordDamaged,
    StoreUnavailable,
    Taken,
    TokensDamaged,
    UsageError,
)

log = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/problem+json"
_STATUS: Final[tuple[tuple[type[BridgeError], HTTPStatus], ...]] = (
    (Ambiguous, HTTPStatus.CONFLICT),
    (NoDatabase, HTTPStatus.SERVICE_UNAVAILABLE),
    (NotFound, HTTPStatus.NOT_FOUND),
    (Taken, HTTPStatus.CONFLICT),
    (UsageError, HTTPStatus.BAD_REQUEST),
    (RecordDamaged, HTTPStatus.INTERNAL_SERVER_ERROR),
    (StoreUnavailable, HTTPStatus.SERVICE_UNAVAILABLE),
    (BusError, HTTPStatus.SERVICE_UNAVAILABLE),
)


_FOLDERS: Final = re.compile(r"(?<![\w.])/(?:[^\s/'\"]+/)+([^\s/'\":]+\.(?:db|jsonl?|toml|sock))\b")
"""A file of this machine: whoever asks over the network is told its name, not where it lies."""


class Problem(Exception):
    """Something that is told to the caller instead of an answer."""

    def __init__(
        self, status: int, detail: str, *, headers: Mapping[str, str] | None = None, **more: Any
    ) -> None:
        super().__init__(detail)
        self.status = HTTPStatus(status)
        self.detail = detail
        self.headers = dict(headers or {})
        self.more = more
        """Further members of the problem."""

    def body(self) -> dict[str, Any]:
        """The problem as an object. Its type is about:blank: the status says what kind it is (RFC 9457, 4.2.1)."""
        return {
            "type": "about:blank",
            "title": self.status.phrase,
            "status": int(self.status),
            "detail": self.detail,
        } | self.more


def problem_of(error: BridgeError) -> Problem:
    """One of our own errors as a problem."""
    if isinstance(error, TokensDamaged):
        log.error("nobody is let in: %s", error)
        return Problem(
            503,
            "the table of tokens is damaged or open to everybody: nobody is let in until it is mended on the machine of this service, whose log"
            " tells more",
            headers={"Retry-After": "60"},
        )
    status = next(
        (status for kind, status in _STATUS if isinstance(error, kind)), HTTPStatus.INTERNAL_SERVER_ERROR
    )
    more: dict[str, Any] = {}
    if isinstance(error, Ambiguous):
        more["candidates"] = [
            {"kind": kind, "value": value} | ({"position": position} if position is not None else {})
            for kind, value, position in error.candidates
        ]
    headers = {"Retry-After": "5"} if status is HTTPStatus.SERVICE_UNAVAILABLE else {}
    return Problem(status, _FOLDERS.sub(r"\1", str(error)), headers=headers, **more)

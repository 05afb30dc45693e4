"""A stretch of the content that becomes one refusal: hashed and counted, its beginning kept."""

import hashlib
from typing import Final

from broker_bridge.adapters.logs.protocol.record import Refused

KEPT: Final = 4096
"""Bytes kept in memory of what is refused; the rest is in the archived file."""


class Region:
    """Contiguous bytes from `position` on that are refused together for one reason."""

    def __init__(
        self,
        position: int,
        line: int,
        *,
        code: str,
        reason: str,
        place: str = "",
        value: str | None = None,
        kind: str | None = None,
    ) -> None:
        self.position = position
        self.line = line
        self.code = code
        self.reason = reason
        self.place = place
        self.value = value
        self.kind = kind
        self.size = 0
        self._kept = b""
        self._hash = hashlib.sha256()

    def add(self, raw: bytes) -> None:
        """Take the bytes that follow."""
        self.size += len(raw)
        self._hash.update(raw)
        if len(self._kept) < KEPT:
            self._kept += raw[: KEPT - len(self._kept)]

    def refusal(self) -> Refused:
        """The refusal of everything that was added."""
        return Refused(
            self.position,
            self.position + self.size,
            self.line,
            reason=self.reason,
            code=self.code,
            raw=self._kept,
            place=self.place,
            value=self.value,
            kind=self.kind,
            size=self.size,
            digest=self._hash.hexdigest(),
        )

    def again(self, position: int, line: int) -> "Region":
        """An empty region of the same kind that begins elsewhere."""
        return Region(
            position,
            line,
            code=self.code,
            reason=self.reason,
            place=self.place,
            value=self.value,
            kind=self.kind,
        )

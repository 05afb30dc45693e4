"""The seam between a source's adapter and the edge.

An adapter turns what a machine says into `Taking`s and hands them to its `SourceWriter` together with how far
it has read: both are kept in one transaction, so a crash between them cannot happen. The writer numbers the
events, keeps them on disk and sees to their delivery; the adapter never knows a broker.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from broker_bridge.events.base import Data


@dataclass(frozen=True, slots=True)
class Statement:
    """One event as a mapping makes it: what, when, about whom. The edge adds the intake attributes."""

    data: Data
    time: datetime
    subject: str | None = None


@dataclass(frozen=True, slots=True)
class Taking:
    """All events of one raw record at one revision, in ordinal order.

    `statements` is never empty: a record that gives nothing at a revision above the first holds one
    SourceRetracted, one that cannot be mapped one SourceRejected. A record that by its mapping gives nothing
    at the first revision (a comment, a heartbeat) is not a taking at all.
    """

    generation: str
    position: int
    revision: int
    statements: tuple[Statement, ...]
    rawname: str | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """A person asks the adapter to do something; it is kept on disk until it is answered."""

    number: int
    action: str
    """`retry`: read the archived raw bytes again with the mapping as it is now."""
    arguments: Mapping[str, str]


class SourceWriter(Protocol):
    """What the edge offers one source. All methods may raise StoreUnavailable: retry."""

    @property
    def source(self) -> str:
        """The CloudEvents source, /site/area/line/adapter."""
        ...

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        """Keep the takings' events and the changed read state in one transaction; returns the events kept.

        `state` maps keys to new values, None deletes. Raises OutboxFull when the events do not fit below the
        ceiling: nothing was written, the caller leaves its files where they are and tries again later.
        `reserved` uses the room kept free above it: only for saying that a source is gone, back or was lost.
        """
        ...

    async def state(self, key: str) -> bytes | None:
        """The value last kept under this key, None if none."""
        ...

    async def states(self, prefix: str) -> dict[str, bytes]:
        """All kept keys that begin with `prefix`, sorted by key."""
        ...

    async def archive(self, raw: bytes) -> str:
        """Keep raw bytes durably in the raw archive; returns their SHA-256. Call before `take`."""
        ...

    async def archived(self, digest: str) -> bytes | None:
        """The raw bytes kept under this SHA-256; None when they are not, or no longer, in the archive."""
        ...

    async def requests(self) -> list[Request]:
        """Unanswered requests to this source, oldest first."""
        ...

    async def answer(self, request: Request, outcome: str) -> None:
        """Note what came of a request; it is not offered again. "refused: ..." where nothing was done, and why."""
        ...

    def count(self, **counters: int) -> None:
        """Add to named counters (files_read, duplicate_files, rejected ...), shown by `check`."""
        ...

    def report(self, condition: str, detail: str = "") -> None:
        """Say in one word how the source is (`reading`, `idle`, `waiting`, `away`, `locked`) and why."""
        ...


class Adapter(Protocol):
    """One source. `run` returns only when cancelled; what goes wrong with the source is reported, not raised."""

    async def run(self, writer: SourceWriter) -> None:
        """Read the source for ever. Raises ConfigError when it cannot start as configured."""
        ...

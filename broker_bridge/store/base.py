"""The seam of the record: what a store does for its one writer and for its readers.

A commit is the unit of everything: events become part of the record together with the progress they mean, and
an answer is "as of commit N".
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple, Protocol

from broker_bridge.events.envelope import Event
from broker_bridge.events.fact import Fact

Range = tuple[int, int]


class Arrival(NamedTuple):
    """A valid event, and the very bytes it came in."""

    event: Event
    body: bytes


class Refusal(NamedTuple):
    """A payload that is no event of ours. `source`, `epoch` and `sequence` only where they could be trusted."""

    topic: str
    reason: str
    body: bytes
    source: str | None = None
    epoch: int | None = None
    sequence: int | None = None


class Progress(NamedTuple):
    """What is committed of one epoch of a source."""

    source: str
    epoch: int
    contiguous: int
    """Every number from 1 to here is committed."""
    above: tuple[Range, ...]
    """Committed ranges above it, ascending, both ends included."""
    last: int
    """Highest number heard of, committed or not."""

    def missing(self) -> tuple[Range, ...]:
        """The ranges that are not committed, up to `last`."""
        holes: list[Range] = []
        expected = self.contiguous + 1
        for first, last in self.above:
            holes.append((expected, first - 1))
            expected = last + 1
        if expected <= self.last:
            holes.append((expected, self.last))
        return tuple(holes)


class Committed(NamedTuple):
    """What a commit did."""

    commit: int
    """0 when nothing was new."""
    new: int
    duplicates: int
    """Events that were already there with the same content."""
    conflicts: int
    """Events whose id was there with other content: kept beside it, flagged."""
    refused: int
    progress: Mapping[tuple[str, int], Progress]
    """Progress of every (source, epoch) touched."""


class Head(NamedTuple):
    """Where the record stands."""

    name: str
    incarnation: int
    commit: int
    number: int
    """Number of the newest event."""


class StoreWriter(Protocol):
    """The one writer. Every method is durable when it returns; StoreUnavailable: nothing was written, retry."""

    async def commit(self, arrivals: Sequence[Arrival], refusals: Sequence[Refusal] = ()) -> Committed:
        """Add what is new and the progress it means, in one transaction."""
        ...

    async def heard(self, source: str, epoch: int, last: int) -> Progress:
        """Note that numbers up to `last` exist; returns the progress."""
        ...

    async def progress(self) -> list[Progress]:
        """Progress of every source and epoch."""
        ...

    async def head(self) -> Head:
        """Where the record stands."""
        ...

    async def close(self) -> None:
        """Finish and let go of the database."""
        ...


class StoreReader(Protocol):
    """Any number of readers; what they see is whole commits."""

    def head(self) -> Head:
        """Where the record stands."""
        ...

    def last_number(self, commit: int) -> int:
        """Number of the newest event as of a commit. Raises NotFound for a commit that is not there."""
        ...

    def facts(self, numbers: Sequence[int]) -> list[Fact]:
        """The events with these numbers, in that order. Raises NotFound naming a missing number."""
        ...

    def after(self, number: int, limit: int) -> list[Fact]:
        """The events behind a number, in order, at most `limit`."""
        ...

    def body(self, number: int) -> bytes:
        """The bytes of one event as received."""
        ...

    def number_of(self, source: str, event_id: str) -> int:
        """The number of an event by its source and id. Raises NotFound."""
        ...

    def verify(self) -> Iterator[str | None]:
        """Check every stored event against its hash: a sentence for each damaged one, None now and then."""
        ...

    def close(self) -> None:
        """Let go of the database."""
        ...

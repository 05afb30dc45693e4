"""The seam of the record: what a store does for its one writer and for its readers.

A commit is the unit of everything: what is new becomes part of the record together with the progress it means,
and an answer is "as of commit N". Readers start in a few milliseconds: nothing here brings the models with it.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol

from broker_bridge.events.fact import Fact

if TYPE_CHECKING:
    from broker_bridge.events.canonical import Read

Range = tuple[int, int]
"""First and last, both included."""


class Arrival(NamedTuple):
    """A valid event, and the very bytes it came in. Its epoch and sequence fit 63 bits."""

    event: "Read"
    body: bytes


class Refusal(NamedTuple):
    """A payload that is no event of ours. `source`, `epoch` and `sequence` only where they could be trusted."""

    topic: str
    code: str
    """Kind of refusal, one word: oversize, topic, json, schema, type ..."""
    reason: str
    """What is wrong, where, the offending value, what to do."""
    body: bytes
    source: str | None = None
    epoch: int | None = None
    sequence: int | None = None


class Heard(NamedTuple):
    """What a source said of itself: that numbers up to `last` exist in `epoch`."""

    source: str
    epoch: int
    last: int
    state: bytes
    """The message as it came; the latest of each source is kept."""


class Progress(NamedTuple):
    """What is committed of one epoch of a source. Refused events and stated gaps count as committed."""

    source: str
    epoch: int
    contiguous: int
    """Every number from 1 to here is committed."""
    above: tuple[Range, ...]
    """Committed ranges above it, ascending, neither touching each other nor `contiguous`."""
    last: int
    """Highest number heard of, committed or not."""
    closed: bool = False
    """A stated gap said that nothing more of this epoch will come."""

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
    """Its number; 0 when no event, conflict or refusal was new."""
    new: int
    duplicates: int
    """Events that were already there with the same content."""
    conflicts: int
    """Events whose id was there with other content: kept beside it, flagged."""
    refused: int
    """Refusals, known ones included."""
    reused: int
    """New events whose sequence number had been given to another event: two edges share a source name."""
    progress: Mapping[tuple[str, int], Progress]
    """Progress of every (source, epoch) touched."""


class Head(NamedTuple):
    """Where the record stands."""

    name: str
    incarnation: int
    """Grows whenever the record was made anew or restored from a backup."""
    commit: int
    number: int
    """Number of the newest event; events are numbered from 1 without holes."""


class Commit(NamedTuple):
    """One commit as readers see it."""

    number: int
    first: int
    """Number of its first event; `last` + 1 when it holds none (a conflict or refusal only)."""
    last: int
    at: int
    """When, microseconds since 1970, UTC, by the recorder's clock."""


class Sibling(NamedTuple):
    """One event of a raw record."""

    source: str
    generation: str
    position: int
    revision: int
    ordinal: int
    number: int


class RefusedRow(NamedTuple):
    """A refusal as it is kept: equal payloads on one topic are counted, not multiplied."""

    number: int
    refusal: Refusal
    commit: int
    first_seen: int
    """Microseconds since 1970, UTC."""
    last_seen: int
    times: int
    resolved: int | None
    """Commit in which the payload became events after all."""


class Conflict(NamedTuple):
    """An event whose id was in the record with other content."""

    number: int
    event: int
    """Number of the event that was there first."""
    body: bytes
    """The other content, as received."""
    commit: int
    first_seen: int
    last_seen: int
    times: int


class StoreWriter(Protocol):
    """The one writer. Every method is durable when it returns; StoreUnavailable: nothing was written, retry."""

    async def commit(
        self,
        arrivals: Sequence[Arrival] = (),
        refusals: Sequence[Refusal] = (),
        heard: Sequence[Heard] = (),
        resolved: Sequence[int] = (),
    ) -> Committed:
        """Add what is new and the progress it means, in one transaction, in the order given.

        `resolved` numbers refusals whose payload is among the arrivals now. A `source.gap` that names a range
        of an epoch closes it: the range counts as committed.
        """
        ...

    async def progress(self) -> list[Progress]:
        """Progress of every source and epoch, ordered by both."""
        ...

    async def refusals(self, after: int, limit: int) -> list[RefusedRow]:
        """Unresolved refusals with numbers above `after`, in order, at most `limit`."""
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
        """Number of the newest event as of a commit, 0 as of commit 0. Raises NotFound for one that is not there."""
        ...

    def commit_at(self, instant: int) -> int:
        """The last commit made at or before an instant (microseconds since 1970, UTC); 0 when there is none."""
        ...

    def commits(self, after: int, limit: int) -> list[Commit]:
        """The commits behind one, in order, at most `limit`."""
        ...

    def facts(self, numbers: Sequence[int]) -> list[Fact]:
        """The events with these numbers, in that order. Raises NotFound naming a missing number."""
        ...

    def after(self, number: int, limit: int) -> list[Fact]:
        """The events behind a number, in order, at most `limit`."""
        ...

    def typed(self, types: Collection[str], number: int, upto: int, limit: int) -> list[Fact]:
        """The events of some types behind a number and up to another, in order, at most `limit`."""
        ...

    def span(self, upto: int) -> tuple[str, str] | None:
        """The earliest and the latest time (RFC 3339, UTC) of the events up to a number; None where there are none."""
        ...

    def body(self, number: int) -> bytes:
        """The bytes of one event as received. Raises NotFound."""
        ...

    def number_of(self, source: str, event_id: str) -> int:
        """The number of an event by its source and id. Raises NotFound."""
        ...

    def siblings(self, numbers: Sequence[int]) -> list[Sibling]:
        """All events of the raw records that these events came from, each once, in no order."""
        ...

    def contradicted(self, numbers: Sequence[int]) -> dict[int, list[int]]:
        """Of these events those under whose id other content arrived as well, with the commits it came in."""
        ...

    def progress(self) -> list[Progress]:
        """Progress of every source and epoch, ordered by both."""
        ...

    def states(self) -> dict[str, bytes]:
        """The latest state message of every source that sent one."""
        ...

    def states_received(self) -> dict[str, int]:
        """When each of these was received, microseconds since 1970-01-01 UTC, by the recorder's clock."""
        ...

    def refusals(self, after: int = 0, limit: int = 100, resolved: bool = False) -> list[RefusedRow]:
        """Refusals with numbers above `after`, in order; with `resolved` also those that became events."""
        ...

    def conflicts(self, after: int = 0, limit: int = 100) -> list[Conflict]:
        """Conflicts with numbers above `after`, in order."""
        ...

    def reused(self) -> list[int]:
        """Numbers of the events whose sequence number had been given to another event."""
        ...

    def verify(self) -> Iterator[str | None]:
        """Check every stored event against its hash: a sentence for each damaged one, None now and then."""
        ...

    def close(self) -> None:
        """Let go of the database."""
        ...

"""The record in memory, as plain as it can be said: the other stores are compared with it, tests stand on it.

It keeps every committed number by itself, so a stated gap of millions is not for it.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import count

import orjson

from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.events.ids import EventId
from broker_bridge.store.base import (
    Arrival,
    Commit,
    Committed,
    Conflict,
    Head,
    Heard,
    Progress,
    Range,
    Refusal,
    RefusedRow,
    Sibling,
)
from broker_bridge.store.content import content
from broker_bridge.store.instants import microseconds, text
from broker_bridge.store.numbers import closure

Key = tuple[str, int]
"""Source and epoch."""


@dataclass
class _Epoch:
    committed: set[int] = field(default_factory=set)
    closures: list[Range] = field(default_factory=list)
    last: int = 0
    closed: bool = False

    def progress(self, source: str, epoch: int) -> Progress:
        contiguous = next(number for number in count(0) if number + 1 not in self.committed)
        above: list[Range] = []
        for number in sorted(number for number in self.committed if number > contiguous):
            if above and above[-1][1] == number - 1:
                above[-1] = (above[-1][0], number)
            else:
                above.append((number, number))
        return Progress(source, epoch, contiguous, tuple(above), self.last, self.closed)


class MemoryReader:
    """What a MemoryStore holds."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._facts: list[Fact] = []
        self._bodies: list[bytes] = []
        self._commits: list[Commit] = []
        self._epochs: dict[Key, _Epoch] = defaultdict(_Epoch)
        self._refusals: list[RefusedRow] = []
        self._conflicts: list[Conflict] = []
        self._reused: list[int] = []
        self._states: dict[str, bytes] = {}
        self._received: dict[str, int] = {}

    def head(self) -> Head:
        """See StoreReader."""
        return Head(self._name, 1, len(self._commits), len(self._facts))

    def last_number(self, commit: int) -> int:
        """See StoreReader."""
        if not 0 <= commit <= len(self._commits):
            raise NotFound(f"there is no commit {commit}")
        return self._commits[commit - 1].last if commit else 0

    def commit_at(self, instant: int) -> int:
        """See StoreReader."""
        return max((commit.number for commit in self._commits if commit.at <= instant), default=0)

    def commits(self, after: int, limit: int) -> list[Commit]:
        """See StoreReader."""
        return self._commits[after : after + limit]

    def facts(self, numbers: Sequence[int]) -> list[Fact]:
        """See StoreReader."""
        for number in numbers:
            if not 1 <= number <= len(self._facts):
                raise NotFound(f"there is no event number {number}")
        return [self._facts[number - 1] for number in numbers]

    def after(self, number: int, limit: int) -> list[Fact]:
        """See StoreReader."""
        return self._facts[number : number + limit]

    def typed(self, types: Collection[str], number: int, upto: int, limit: int) -> list[Fact]:
        """See StoreReader."""
        return [fact for fact in self._facts[number:upto] if fact.type in types][:limit]

    def span(self, upto: int) -> tuple[str, str] | None:
        """See StoreReader."""
        times = sorted((datetime.fromisoformat(fact.time), fact.time) for fact in self._facts[:upto])
        return (times[0][1], times[-1][1]) if times else None

    def body(self, number: int) -> bytes:
        """See StoreReader."""
        self.facts([number])
        return self._bodies[number - 1]

    def number_of(self, source: str, event_id: str) -> int:
        """See StoreReader."""
        for fact in self._facts:
            if (fact.source, fact.id) == (source, event_id):
                return fact.number
        raise NotFound(f"there is no event {event_id} of {source}")

    def siblings(self, numbers: Sequence[int]) -> list[Sibling]:
        """See StoreReader."""
        records = {(fact.source, fact.generation, fact.position) for fact in self.facts(numbers)}
        return [
            Sibling(fact.source, fact.generation, fact.position, fact.revision, fact.ordinal, fact.number)
            for fact in self._facts
            if (fact.source, fact.generation, fact.position) in records
        ]

    def contradicted(self, numbers: Sequence[int]) -> dict[int, list[int]]:
        """See StoreReader."""
        found: dict[int, list[int]] = {}
        for conflict in self._conflicts:
            if conflict.event in numbers:
                found.setdefault(conflict.event, []).append(conflict.commit)
        return found

    def progress(self) -> list[Progress]:
        """See StoreReader."""
        return [epoch.progress(*key) for key, epoch in sorted(self._epochs.items())]

    def states(self) -> dict[str, bytes]:
        """See StoreReader."""
        return dict(sorted(self._states.items()))

    def states_received(self) -> dict[str, int]:
        """See StoreReader."""
        return dict(sorted(self._received.items()))

    def refusals(self, after: int = 0, limit: int = 100, resolved: bool = False) -> list[RefusedRow]:
        """See StoreReader."""
        rows = [row for row in self._refusals[after:] if resolved or row.resolved is None]
        return rows[:limit]

    def conflicts(self, after: int = 0, limit: int = 100) -> list[Conflict]:
        """See StoreReader."""
        return self._conflicts[after : after + limit]

    def reused(self) -> list[int]:
        """See StoreReader."""
        return list(self._reused)

    def verify(self) -> Iterator[str | None]:
        """See StoreReader. Memory is trusted."""
        yield None

    def close(self) -> None:
        """See StoreReader."""

    # -- what the writer does -----------------------------------------------------------------------------

    def _commit(
        self,
        arrivals: Sequence[Arrival],
        refusals: Sequence[Refusal],
        heard: Sequence[Heard],
        resolved: Sequence[int],
        at: int,
    ) -> Committed:
        commit, first = len(self._commits) + 1, len(self._facts) + 1
        duplicates = conflicts = kept = 0
        taken = {(*key, number) for key, epoch in self._epochs.items() for number in epoch.committed}
        moved: dict[Key, None] = {}
        fresh: list[Arrival] = []
        suspects: list[tuple[int, Key, int]] = []
        for arrival in arrivals:
            event = arrival.event
            key, sequence = (event.source, int(event.epoch)), int(event.sequence)
            try:
                there = self.number_of(event.source, event.id)
            except NotFound:
                self._facts.append(_fact(len(self._facts) + 1, commit, arrival))
                self._bodies.append(arrival.body)
                fresh.append(arrival)
                if (*key, sequence) in taken:
                    suspects.append((len(self._facts), key, sequence))
            else:
                if content(self.body(there)) == content(arrival.body):
                    duplicates += 1
                else:
                    conflicts += 1
                    kept += self._keep_conflict(there, arrival.body, commit, at)
            taken.add((*key, sequence))
            moved[key] = None
            self._have(key, range(sequence, sequence + 1))
        for refusal in refusals:
            kept += self._keep_refusal(refusal, commit, at)
            if refusal.source is not None and refusal.epoch is not None and refusal.sequence is not None:
                moved[refusal.source, refusal.epoch] = None
                self._have((refusal.source, refusal.epoch), range(refusal.sequence, refusal.sequence + 1))
        for source, number, last, state in heard:
            moved[source, number] = None
            self._epochs[source, number].last = max(self._epochs[source, number].last, last)
            self._states[source] = state
            self._received[source] = at
        for arrival in fresh:
            if (gap := closure(arrival.event)) is not None:
                moved[arrival.event.source, gap[0]] = None
                self._close((arrival.event.source, gap[0]), gap[1], gap[2])
        reused = [number for number, key, sequence in suspects if not self._explained(key, sequence)]
        self._reused += reused
        if fresh or kept:
            self._commits.append(Commit(commit, first, len(self._facts), at))
        for number in resolved:
            self._refusals[number - 1] = self._refusals[number - 1]._replace(resolved=len(self._commits))
        return Committed(
            commit=commit if fresh or kept else 0,
            new=len(fresh),
            duplicates=duplicates,
            conflicts=conflicts,
            refused=len(refusals),
            reused=len(reused),
            progress={key: self._epochs[key].progress(*key) for key in moved},
        )

    def _have(self, key: Key, numbers: range) -> None:
        epoch = self._epochs[key]
        epoch.committed.update(numbers)
        epoch.last = max(epoch.last, *numbers) if numbers else epoch.last

    def _close(self, key: Key, first: int, last: int | None) -> None:
        epoch = self._epochs[key]
        epoch.closed = epoch.closed or last is None
        upto = epoch.last if last is None else last
        epoch.closures.append((first, upto))
        self._have(key, range(first, upto + 1))

    def _explained(self, key: Key, sequence: int) -> bool:
        refused = any(
            (row.refusal.source, row.refusal.epoch, row.refusal.sequence) == (*key, sequence)
            for row in self._refusals
        )
        return refused or any(first <= sequence <= last for first, last in self._epochs[key].closures)

    def _keep_conflict(self, event: int, body: bytes, commit: int, at: int) -> bool:
        for place, kept in enumerate(self._conflicts):
            if kept.event == event and content(kept.body) == content(body):
                self._conflicts[place] = kept._replace(times=kept.times + 1, last_seen=at)
                return False
        self._conflicts.append(Conflict(len(self._conflicts) + 1, event, body, commit, at, at, 1))
        return True

    def _keep_refusal(self, refusal: Refusal, commit: int, at: int) -> bool:
        for place, kept in enumerate(self._refusals):
            if (kept.refusal.topic, kept.refusal.body) == (refusal.topic, refusal.body):
                self._refusals[place] = kept._replace(times=kept.times + 1, last_seen=at)
                return False
        self._refusals.append(RefusedRow(len(self._refusals) + 1, refusal, commit, at, at, 1, None))
        return True


class MemoryStore:
    """The writer. Nothing is durable; the clock ticks a microsecond a commit unless one is given."""

    def __init__(self, name: str = "record", now: Callable[[], int] | None = None) -> None:
        self.reader = MemoryReader(name)
        self._now = now or count(1).__next__

    async def commit(
        self,
        arrivals: Sequence[Arrival] = (),
        refusals: Sequence[Refusal] = (),
        heard: Sequence[Heard] = (),
        resolved: Sequence[int] = (),
    ) -> Committed:
        """See StoreWriter."""
        return self.reader._commit(arrivals, refusals, heard, resolved, self._now())

    async def progress(self) -> list[Progress]:
        """See StoreWriter."""
        return self.reader.progress()

    async def refusals(self, after: int, limit: int) -> list[RefusedRow]:
        """See StoreWriter."""
        return self.reader.refusals(after, limit)

    async def head(self) -> Head:
        """See StoreWriter."""
        return self.reader.head()

    async def close(self) -> None:
        """See StoreWriter."""


def _fact(number: int, commit: int, arrival: Arrival) -> Fact:
    event = arrival.event
    return Fact(
        number,
        commit,
        event.source,
        *EventId.parse(event.id),
        event.type,
        text(microseconds(event.time)),
        orjson.loads(arrival.body)["data"],
    )

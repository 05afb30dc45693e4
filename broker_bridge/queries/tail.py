"""The record as it grows, for whoever watches: no index is needed, so none is brought up to date."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from broker_bridge.events.fact import Fact
from broker_bridge.queries.record import path_of
from broker_bridge.store.base import StoreReader
from broker_bridge.store.sqlite_reader import SqliteReader

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Tail:
    """An open record. Raises NotFound when there is none, StoreUnavailable when it cannot be read now."""

    def __init__(self, url: str) -> None:
        self._path = path_of(url)
        self._reader = SqliteReader(self._path)
        self.file = self._lies_there()
        """Which file it is."""
        self.incarnation = self._reader.head().incarnation
        """Of the record when it was opened."""

    def replaced(self) -> bool:
        """Whether another record lies there by now, or none, or this one has begun a new life: it has to be opened anew."""
        return self._lies_there() != self.file or self._reader.head().incarnation != self.incarnation

    def _lies_there(self) -> int:
        try:
            return self._path.stat().st_ino
        except OSError:
            return 0

    def newest(self) -> int:
        """Number of the newest event; 0 when there is none."""
        return self._reader.head().number

    def number_at(self, instant: datetime) -> int:
        """Number of the newest event that was committed at or before an instant; 0 when there is none."""
        microseconds = (instant - _EPOCH) // (datetime.resolution)
        return self._reader.last_number(self._reader.commit_at(microseconds))

    def after(self, number: int, limit: int) -> Sequence[Fact]:
        """The events behind a number, in order, at most `limit`."""
        return self._reader.after(number, limit)

    def taken(self, facts: Iterable[Fact]) -> dict[int, datetime]:
        """When the recorder took events in, by its own clock; by commit. Times that events state are their machines'."""
        commits = {fact.commit for fact in facts}
        if not commits:
            return {}
        first, last = min(commits), max(commits)
        found = self._reader.commits(first - 1, last - first + 1)
        return {one.number: _EPOCH + timedelta(microseconds=one.at) for one in found if one.number in commits}

    def states(self) -> dict[str, tuple[bytes, datetime]]:
        """What every source said of itself last, and when that was received, by the recorder's clock."""
        received = self._reader.states_received()
        return {
            source: (said, _EPOCH + timedelta(microseconds=received[source]))
            for source, said in self._reader.states().items()
            if source in received
        }

    def close(self) -> None:
        """Let go of the record."""
        self._reader.close()


@contextmanager
def reader_of(path: Path) -> Iterator[StoreReader]:
    """The record alone, for what needs no index. Raises NotFound when there is none."""
    reader = SqliteReader(path)
    try:
        yield reader
    finally:
        reader.close()

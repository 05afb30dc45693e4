"""The record as it was at an older commit, with an index of its own: what was known then, and nothing else."""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from broker_bridge.errors import NotFound
from broker_bridge.events.fact import Fact
from broker_bridge.queries.record import Record, open_with
from broker_bridge.store.base import Head, StoreReader


@contextlib.contextmanager
def as_known(
    record: Record, commit: int, progress: Callable[[int, int], None] | None = None
) -> Iterator[Record]:
    """The record as of a commit; its index is made anew and deleted afterwards. Raises NotFound."""
    as_of = record.as_of(commit)
    with TemporaryDirectory(prefix="broker-bridge-") as folder:
        then = open_with(_Then(record.reader, as_of.commit, as_of.number), Path(folder) / "then.db", progress)
        try:
            yield then
        finally:
            then.index.close()


class _Then:
    """A reader of which everything behind a commit is not there. What was missing then is not known."""

    def __init__(self, reader: StoreReader, commit: int, number: int) -> None:
        self._reader, self._commit, self._number = reader, commit, number

    def head(self) -> Head:
        """See StoreReader."""
        return self._reader.head()._replace(commit=self._commit, number=self._number)

    def after(self, number: int, limit: int) -> list[Fact]:
        """See StoreReader."""
        return [fact for fact in self._reader.after(number, limit) if fact.number <= self._number]

    def facts(self, numbers: Sequence[int]) -> list[Fact]:
        """See StoreReader."""
        for number in numbers:
            if number > self._number:
                raise NotFound(f"event {number} came after commit {self._commit}")
        return self._reader.facts(numbers)

    def last_number(self, commit: int) -> int:
        """See StoreReader."""
        if commit > self._commit:
            raise NotFound(f"commit {commit} came after commit {self._commit}")
        return self._reader.last_number(commit)

    def progress(self) -> list[Any]:
        """Not known as of then."""
        return []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._reader, name)

"""The record for many readers at once: open readers are lent and come back, one catches the index up for all."""

import contextlib
import threading
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.projector.index import Cursor, Index
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.record import Record, open_with, path_of
from broker_bridge.store.base import Head
from broker_bridge.store.sqlite_reader import SqliteReader

_IDLE: Final = 8
_FRESH_S: Final = 1.0
"""Answers may be that old: as of which commit they are is told with each."""


class _Lent(NamedTuple):
    record: Record
    marks: tuple[int, ...]
    """Of the files it was opened on."""


class Records:
    """Lends a Record to a thread at a time. `now`: seconds of a clock that only goes forward."""

    def __init__(self, url: str, now: Callable[[], float], *, follow: bool = True) -> None:
        """`follow`: bring the index up; else somebody else does. Raises UsageError for what names no record; whether there
        is one is seen when it is asked."""
        self.url = url
        self._follow = follow
        self._path, self._now = path_of(url), now
        self._idle: list[_Lent] = []
        self._lock = threading.Lock()
        self._catching_up = threading.Lock()
        self._looked, self._seen = -_FRESH_S, False
        self._cursor: Cursor | None = None
        self.note: str | None = None
        """Why answers are as of an earlier commit than the record's newest; None when they are not."""

    @contextlib.contextmanager
    def reading(self) -> Iterator[Record]:
        """A record to read, as of a moment ago. Raises what `open_record` does."""
        if self._follow:
            self.keep_up()
        lent = self._lent()
        record = lent.record
        record.note = self.note
        try:
            yield record
        except BaseException:
            record.close()  # whatever went wrong, the next one begins with a new reader
            raise
        with self._lock:
            if len(self._idle) < _IDLE:
                self._idle.append(lent)
                return
        record.close()

    def close(self) -> None:
        """Let go of what is idle."""
        with self._lock:
            idle, self._idle = self._idle, []
        for lent in idle:
            lent.record.close()

    def keep_up(self) -> str | None:
        """Bring the index up, at most once a second, by one of those who ask; the others read what is there. Returns `note`.

        Raises what `open_record` does.
        """
        if self._now() - self._looked < _FRESH_S or not self._catching_up.acquire(blocking=not self._seen):
            return self.note
        try:
            if self._now() - self._looked < _FRESH_S:
                return self.note
            reader = SqliteReader(self._path)
            try:
                if self._moves(reader.head()):
                    reader.close()
                    self.note = None
                else:
                    record = open_with(reader, index_path(self._path))
                    self.note, self._cursor = record.note, record.index.cursor()
                    record.close()
            except BaseException:
                reader.close()
                raise
            self._looked, self._seen = self._now(), True
            return self.note
        finally:
            self._catching_up.release()

    def _moves(self, head: Head) -> bool:
        """Whether somebody else brings the index up: it has come further since the last look. Two would be in each other's way."""
        before = self._cursor
        try:
            index = Index(index_path(self._path))
        except (NotFound, StoreUnavailable):
            return False
        try:
            self._cursor = now = index.cursor()
        finally:
            index.close()
        same = (now.record, now.incarnation) == (head.name, head.incarnation)
        return same and before is not None and now[:2] == before[:2] and now.number > before.number

    def _lent(self) -> _Lent:
        marks = self._marks()
        while True:
            with self._lock:
                lent = self._idle.pop() if self._idle else None
            if lent is None:
                reader = SqliteReader(self._path)
                try:
                    return _Lent(Record(reader, Index(index_path(self._path))), marks)
                except BaseException:
                    reader.close()
                    raise
            if lent.marks == marks:
                return lent
            lent.record.close()

    def _marks(self) -> tuple[int, ...]:
        """Tell the files that lie there now from those a restored record, or an index made anew, replaced."""
        try:
            return tuple(path.stat().st_ino for path in (self._path, index_path(self._path)))
        except OSError:
            return ()

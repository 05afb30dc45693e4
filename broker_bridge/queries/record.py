"""A record opened for questions, with its index brought up to date or as it stands."""

from pathlib import Path
from typing import Final

from broker_bridge.errors import IndexBehind, NotFound, StoreUnavailable, UsageError
from broker_bridge.projector.builder import STEP, Progress, catch_up
from broker_bridge.projector.index import Cursor, Index
from broker_bridge.projector.schema import index_path
from broker_bridge.store.base import Head, StoreReader
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.trace.history import AsOf

LIVE: Final = 2 * STEP
"""Events that the index of a record in use may lie behind: a step of the projector, and what comes in meanwhile."""
_SCHEME: Final = "sqlite:///"


class Record:
    """An open record. Use it from one thread, close it at the end, or use it in a `with`."""

    def __init__(self, reader: StoreReader, index: Index, note: str | None = None) -> None:
        self.reader = reader
        self.index = index
        self.note = note
        """Why answers are as of an earlier commit than the record's newest; None when they are not."""
        self._made = False

    def __enter__(self) -> "Record":
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of record and index."""
        self.index.close()
        self.reader.close()

    @property
    def making(self) -> str | None:
        """Why nothing is answered as of the newest commit: the index is being made anew. None when it is not.

        An index that was made once stays so: a question that takes minutes is not broken off for what comes meanwhile.
        """
        if self._made:
            return None
        told = _being_made(self.index.cursor(), self.reader.head())
        self._made = told is None
        return told

    def as_of(self, commit: int | None = None) -> AsOf:
        """A commit as answers state it; the newest one that the index holds by default.

        Raises NotFound for a commit that is not there; IndexBehind while the index is being made anew, when an answer
        would be true as of a commit that nobody means.
        """
        making, cursor = self.making, self.index.cursor()
        if making is not None and (commit is None or commit > cursor.commit):
            raise IndexBehind(making)
        number = cursor.number
        if commit is not None and commit != cursor.commit:
            if not 0 <= commit < 2**63:
                raise NotFound(f"there is no commit {commit}; the last is {cursor.commit}")
            number = self.reader.last_number(commit)
            if commit > cursor.commit:
                raise NotFound(
                    f"commit {commit} is not in the index yet; it holds the record up to {cursor.commit}"
                )
        return AsOf(cursor.record, cursor.incarnation, cursor.commit if commit is None else commit, number)

    def held(self) -> AsOf:
        """The newest commit that the index holds, also while it is being made anew."""
        return AsOf(*self.index.cursor())


def open_record(url: str, progress: Progress | None = None) -> Record:
    """Open a record named by `sqlite:///path` (relative; absolute with a fourth slash).

    An index that lies behind is brought up to date first, `progress` being told. Where another process holds it,
    or the folder cannot be written, answers are as of the commit the index holds, and `note` says so; where it lies
    more than LIVE events behind, as one that is made anew does, nothing is answered, and `making` says so. Raises
    UsageError for another kind of URL, NotFound when there is no record, StoreUnavailable when there is neither an
    index nor a way to make one.
    """
    path = path_of(url)
    reader = SqliteReader(path)
    try:
        return open_with(reader, index_path(path), progress)
    except BaseException:
        reader.close()
        raise


def open_with(reader: StoreReader, index: Path, progress: Progress | None = None) -> Record:
    """The same for an open reader and the path of its index."""
    head = reader.head()
    held = _held(index)
    if held is not None:
        cursor = held.cursor()
        if (cursor.record, cursor.incarnation, cursor.commit) == (head.name, head.incarnation, head.commit):
            return Record(reader, held)
        held.close()
    try:
        catch_up(reader, index, progress)
    except StoreUnavailable as error:
        held = _held(index)
        if held is None:
            raise StoreUnavailable(
                f"{error}; and without an index nothing can be found: run the projector role, or let this user write"
                f" {index.name} beside the record"
            ) from error
        return Record(reader, held, _behind(held.cursor(), head, error))
    return Record(reader, Index(index))


def _being_made(cursor: Cursor, head: Head) -> str | None:
    """That an index is being made anew and how far it is; None where it is as far as that of a record in use."""
    same = (cursor.record, cursor.incarnation) == (head.name, head.incarnation)
    read = cursor.number if same else 0
    if same and head.number - read <= LIVE:
        return None
    return (
        f"the index of the record is still being made and nothing can be answered yet: it has read {read:,} of the"
        f" record's {head.number:,} events; ask again in a moment"
    )


def path_of(url: str) -> Path:
    """The file that a URL names. Raises UsageError when it is no `sqlite:///path`."""
    if not url.startswith(_SCHEME) or len(url) == len(_SCHEME):
        raise UsageError(
            f"{url!r} names no record: expected sqlite:///path (relative) or sqlite:////path (absolute)"
        )
    path = url.removeprefix(_SCHEME)
    # More than one slash at the start would be taken for a host by whoever makes a URL of the path again.
    return Path("/" + path.lstrip("/") if path.startswith("/") else path)


def _held(index: Path) -> Index | None:
    try:
        return Index(index)
    except (NotFound, StoreUnavailable):
        return None


def _behind(cursor: Cursor, head: Head, error: StoreUnavailable) -> str:
    same = (cursor.record, cursor.incarnation) == (head.name, head.incarnation)
    return (
        f"the record stands at commit {head.commit}, the index at {cursor.commit if same else 0},"
        f" and could not be brought up: {error}"
    )

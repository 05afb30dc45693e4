"""A drop folder on disk or share: what lies in it, and the bytes of one file.

Polling is the truth: shares send no notices. Only regular files directly in the folder are touched; symbolic
links, pipes and devices are never opened. All calls block; call them in a thread.
"""

import fnmatch
import hashlib
import os
import stat
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, NamedTuple

from broker_bridge.errors import SourceUnavailable


class Signature(NamedTuple):
    """What changes when a file is written, as far as a share tells: never its identity, only a reason to read."""

    size: int
    modified_ns: int
    changed_ns: int
    """Set by the system at every write on POSIX, so that a preserved modification time hides nothing."""
    number: int
    """Inode; reused at once by some file systems."""

    @property
    def modified(self) -> datetime:
        """The time of last change, whole seconds: compressing or copying a file keeps no finer one."""
        try:
            return datetime.fromtimestamp(self.modified_ns // 10**9, UTC)
        except (OverflowError, OSError, ValueError):
            return datetime(1970, 1, 1, tzinfo=UTC)

    @classmethod
    def of(cls, status: os.stat_result) -> "Signature":
        """The signature of a file's status."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


class Found(NamedTuple):
    """A file in the folder."""

    name: str
    signature: Signature


@dataclass(slots=True)
class Listing:
    """The folder at one moment."""

    device: int
    files: list[Found] = field(default_factory=list)
    """Matching files, in no order."""
    marked: frozenset[str] = frozenset()
    """Names whose done-marker is there."""
    others: frozenset[str] = frozenset()
    """Regular files whose names do not match."""
    unmatched: list[Found] = field(default_factory=list)
    """The same with their signatures: a log may be renamed to such a name before its last line was read."""
    refused: frozenset[str] = frozenset()
    """Links, pipes, devices: never opened."""


class Changed(Exception):
    """The file changed, or went away, while it was read: look again later."""


class Locked(Exception):
    """Its machine holds the file, or we may not read it: try again later."""


class Folder:
    """The folder `path`; file names are matched against the shell pattern `pattern`."""

    def __init__(self, path: Path, pattern: str, done_marker: str | None) -> None:
        self.path = path
        self._pattern = pattern
        self._marker = done_marker

    def list(self) -> Listing:
        """Everything that lies in the folder now. Raises SourceUnavailable when it cannot be listed."""
        try:
            listing = Listing(os.stat(self.path).st_dev)
            marked, others, refused = set(), set(), set()
            with os.scandir(self.path) as entries:
                for entry in entries:
                    name = entry.name
                    if self._marker and name.endswith(self._marker):
                        marked.add(name[: -len(self._marker)])
                        continue
                    try:
                        status = entry.stat(follow_symlinks=False)
                    except FileNotFoundError:
                        continue  # gone between the listing and the look at it
                    if stat.S_ISDIR(status.st_mode):
                        continue
                    if not stat.S_ISREG(status.st_mode):
                        refused.add(name)
                    elif fnmatch.fnmatchcase(name, self._pattern):
                        listing.files.append(Found(name, Signature.of(status)))
                    else:
                        others.add(name)
                        listing.unmatched.append(Found(name, Signature.of(status)))
        except OSError as error:
            raise SourceUnavailable(f"{self.path}: cannot be listed: {error.strerror}") from error
        listing.marked, listing.others, listing.refused = map(frozenset, (marked, others, refused))
        return listing

    def timed(self) -> tuple[Listing, float]:
        """The folder as `list` gives it, and the seconds that took by itself.

        How busy this machine is otherwise does not count; waiting for a share counts by a quarter.
        """
        began, computed = time.monotonic(), time.thread_time()
        listing = self.list()
        return listing, max(time.thread_time() - computed, (time.monotonic() - began) / 4)

    def read(self, found: Found, most: int) -> bytes:
        """The raw bytes of a file, at most `most` + 1 of them, read in one go and closed at once.

        Raises Changed when the file is no longer what was found, Locked when it may not be opened now, and
        SourceUnavailable when the share fails.
        """
        wanted = (
            min(found.signature.size, most) + 1
        )  # a buffer of all that may come would be taken for each file
        with self._open(found) as file:
            try:
                raw = file.read(wanted)
                if Signature.of(os.fstat(file.fileno())) != found.signature:
                    raise Changed(f"{found.name} changed while it was read")
            except OSError as error:
                raise SourceUnavailable(f"{found.name}: cannot be read: {error.strerror}") from error
        if len(raw) != min(found.signature.size, wanted):
            raise Changed(f"{found.name} has {len(raw)} bytes where {found.signature.size} were announced")
        return raw

    def _open(self, found: Found) -> BinaryIO:
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        # A pipe that took the file's place would block the opening for ever.
        flags |= getattr(os, "O_NONBLOCK", 0)
        try:
            descriptor = os.open(self.path / found.name, flags)
        except FileNotFoundError:
            raise Changed(f"{found.name} is gone") from None
        except PermissionError as error:
            raise Locked(f"{found.name}: {error.strerror}") from None
        except OSError as error:
            raise Changed(f"{found.name} cannot be opened: {error.strerror}") from None
        file = open(descriptor, "rb")  # noqa: SIM115 - the caller closes it
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or Signature.of(status) != found.signature:
            file.close()
            raise Changed(f"{found.name} has changed since it was found")
        return file

    def digest(self, found: Found) -> str:
        """SHA-256 of a file of any size, read in pieces. Raises as `read` does."""
        digest = hashlib.sha256()
        with self._open(found) as file:
            while piece := file.read(2**20):
                digest.update(piece)
        return digest.hexdigest()

    def remove(self, found: Found) -> None:
        """Delete a file that is still as it was found, and its marker. Raises Changed or OSError."""
        self._check_unchanged(found)
        os.unlink(self.path / found.name)
        self._drop_marker(found)

    def move(self, found: Found, target: Path) -> None:
        """Move a file that is still as it was found to another folder; nothing there is overwritten.

        Raises Changed or OSError.
        """
        self._check_unchanged(found)
        target.mkdir(parents=True, exist_ok=True)
        source = self.path / found.name
        for number in range(1, 1000):
            name = found.name if number == 1 else f"{found.name}.{number}"
            try:
                # Linking fails where the name is taken; renaming would overwrite it without a word.
                os.link(source, target / name, follow_symlinks=False)
            except FileExistsError:
                continue
            except OSError:  # another file system, or one without links
                if (target / name).exists():
                    continue
                self._copy(source, target / name)
            os.unlink(source)
            self._drop_marker(found)
            return
        raise OSError(f"{target} holds {found.name} a thousand times")

    @staticmethod
    def _copy(source: Path, target: Path) -> None:
        partial = target.with_name(target.name + ".partial")
        with open(source, "rb") as read, open(partial, "wb") as write:
            while block := read.read(2**20):
                write.write(block)
            write.flush()
            os.fsync(write.fileno())
        os.rename(partial, target)

    def _check_unchanged(self, found: Found) -> None:
        try:
            now = os.lstat(self.path / found.name)
        except FileNotFoundError:
            raise Changed(f"{found.name} is gone") from None
        if Signature.of(now) != found.signature:
            raise Changed(f"{found.name} was written again after it was read")

    def _drop_marker(self, found: Found) -> None:
        if self._marker:
            (self.path / (found.name + self._marker)).unlink(missing_ok=True)

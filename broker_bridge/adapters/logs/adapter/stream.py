"""The plain bytes of a file at any place, whether it is compressed or not, for as long as it is open.

Opened, read and closed at once: a handle that stays open would keep a machine from renaming or deleting its file.
All calls block.
"""

import gzip
import hashlib
import os
import stat
import zlib
from pathlib import Path
from types import TracebackType
from typing import IO, Final

import zstandard

from broker_bridge.adapters.logs.adapter.content import Unfinished
from broker_bridge.adapters.logs.adapter.folder import Changed, Locked, Signature
from broker_bridge.errors import SourceUnavailable

_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"


class Stream:
    """A file that is open for reading. Use it with `with`.

    Making one raises Changed when the file is gone or no regular file, Locked when it may not be opened now. Reading
    raises Unfinished when compressed bytes end too early, SourceUnavailable when the share fails.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        flags |= getattr(os, "O_NONBLOCK", 0)  # a pipe in the file's place would block for ever
        try:
            descriptor = os.open(path, flags)
        except FileNotFoundError:
            raise Changed(f"{path.name} is gone") from None
        except PermissionError as error:
            raise Locked(f"{path.name}: {error.strerror}") from None
        except OSError as error:
            raise Changed(f"{path.name} cannot be opened: {error.strerror}") from None
        self._raw: IO[bytes] = open(descriptor, "rb")  # noqa: SIM115 - closed by close()
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            self.close()
            raise Changed(f"{path.name} is no regular file")
        self.name = path.name
        self.signature = Signature.of(status)
        """As it was when it was opened."""
        self._at = 0
        magic = self._raw.read(4)
        self.compressed = magic.startswith((_GZIP, _ZSTD))
        self._kind = magic
        self._plain = self._unpacked()

    def __enter__(self) -> "Stream":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._raw.close()

    def read(self, offset: int, size: int) -> bytes:
        """At most `size` plain bytes from `offset` on; fewer where the file ends."""
        try:
            if not self.compressed:
                self._raw.seek(offset)
                return self._raw.read(size)
            if offset < self._at:
                self._plain = self._unpacked()
            while self._at < offset:
                skipped = self._plain.read(min(offset - self._at, 2**20))
                if not skipped:
                    return b""
                self._at += len(skipped)
            parts: list[bytes] = []
            while size and (part := self._plain.read(size)):
                parts.append(part)
                size -= len(part)
                self._at += len(part)
            return b"".join(parts)
        except (EOFError, gzip.BadGzipFile, zlib.error, zstandard.ZstdError) as error:
            raise Unfinished(f"{self.name}: its compression is damaged or not complete: {error}") from None
        except OSError as error:
            raise SourceUnavailable(f"{self.name}: cannot be read: {error.strerror}") from error

    def measure(self) -> tuple[str, int]:
        """SHA-256 and number of the bytes as they lie there."""
        digest, size = hashlib.sha256(), 0
        self._raw.seek(0)
        while piece := self._raw.read(2**20):
            digest.update(piece)
            size += len(piece)
        return digest.hexdigest(), size

    def _unpacked(self) -> IO[bytes]:
        self._raw.seek(0)
        self._at = 0
        if self._kind.startswith(_GZIP):
            return gzip.GzipFile(fileobj=self._raw)  # type: ignore[return-value]
        if self._kind.startswith(_ZSTD):
            stream: IO[bytes] = zstandard.ZstdDecompressor().stream_reader(
                self._raw, read_across_frames=True, closefd=False
            )
            return stream
        return self._raw

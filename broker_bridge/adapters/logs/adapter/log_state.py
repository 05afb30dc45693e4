"""What is remembered of a log that grows, and how it is spelled in the outbox's read state.

    log/<generation>              how far it has been read and given, and by what its file is known again
    piece/<generation>/<offset>   its raw bytes from there on: packed, or the hash of a piece in the raw archive

The raw bytes lie beside the position: what was read is kept even where the machine cuts its log a moment later.
"""

import hashlib
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Final

import orjson
import zstandard

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.folder import Signature
from broker_bridge.adapters.logs.adapter.growing import Head, Progress

LOGS: Final = "log/"
PIECES: Final = "piece/"
WINDOW: Final = 4096
"""Bytes before the read position that a file must still have there to be the same log."""
PIECE: Final = 256 * 1024
"""Raw bytes that are collected before they become a file of the archive."""

_NOTHING: Final = Signature(0, 0, 0, 0)


@dataclass(slots=True)
class LogState:
    """One log. Everything here is written together with the takings it speaks of."""

    generation: str
    head: Head
    number: int
    """Which of the logs that begin in the same way, from 1."""
    name: str
    """The name under which it was met first: what the mapping takes from names comes from it."""
    modified: str
    """Its time of last change when it was met (RFC 3339)."""
    revision: int
    """Everything was given at this revision of the mapping or a later one."""
    size: int = 0
    """Bytes that were read."""
    digest: str = hashlib.sha256(b"").hexdigest()
    """SHA-256 of these bytes."""
    tail: str = hashlib.sha256(b"").hexdigest()
    """SHA-256 of the last WINDOW of them."""
    progress: Progress = field(default_factory=Progress)
    given: int = 0
    """Takings given so far."""
    chunk: int = 0
    """Number of the taking with which the current chunk of positions begins."""
    piece: int = 0
    """Offset at which the current piece of raw bytes begins."""
    loose: list[int] = field(default_factory=list)
    """Positions given although their end was missing. If the log goes on they are given again."""
    closed: bool = False
    """What was open at its end has been given."""
    refused: bool = False
    """Its name is not as the mapping states: it was rejected as a whole."""
    lost: bool = False
    """It was cut or went away while it may have had unread bytes; the gap has been stated."""
    file: str = ""
    """The name under which it lies now."""
    signature: Signature = _NOTHING
    """The file when it was read last."""
    looked: str = ""
    """When it was last known to be read to its end (RFC 3339)."""
    gone: str = ""
    """Since when no file holds it (RFC 3339); empty while one does."""

    @property
    def modified_time(self) -> datetime:
        """`modified` as a time."""
        return datetime.fromisoformat(self.modified)

    def key(self) -> str:
        """Its key."""
        return LOGS + self.generation

    def dump(self) -> bytes:
        """The value under its key."""
        # Offsets are keys of `again`, which JSON wants as texts.
        document = asdict(self)
        document["progress"]["again"] = list(self.progress.again.items())
        return orjson.dumps(document, default=list)


def load_log(value: bytes) -> LogState:
    """Read a log's state back."""
    document = orjson.loads(value)
    progress = document.pop("progress")
    again = {int(position): times for position, times in progress.pop("again")}
    return LogState(
        **{
            **document,
            "head": Head(**document["head"]),
            "signature": Signature(*document["signature"]),
            "progress": Progress(**progress, again=again),
        }
    )


def piece_key(generation: str, offset: int) -> str:
    """Key of the raw bytes from `offset` on; sorted by offset."""
    return f"{PIECES}{generation}/{offset:016d}"


def packed_piece(raw: bytes) -> bytes:
    """The value of a piece that is kept in the state itself."""
    return b"r" + zstandard.ZstdCompressor(level=3).compress(raw)


def archived_piece(digest: str, size: int) -> bytes:
    """The value of a piece that is a file of the archive."""
    return orjson.dumps([digest, size])


async def pieces(writer: SourceWriter, generation: str) -> AsyncIterator[tuple[int, bytes | None]]:
    """The raw bytes of a log in order, with their offsets; None where the archive no longer has them."""
    for key, value in (await writer.states(f"{PIECES}{generation}/")).items():
        offset = int(key.rsplit("/", 1)[1])
        if value.startswith(b"r"):
            yield offset, unpacked_piece(value)
        else:
            yield offset, await writer.archived(orjson.loads(value)[0])


def unpacked_piece(value: bytes) -> bytes:
    """The raw bytes of a piece that is kept in the state itself."""
    raw: bytes = zstandard.ZstdDecompressor().decompress(value[1:])
    return raw


def bytes_of(
    kept: Mapping[str, bytes], archived: Callable[[str], bytes | None], offset: int, size: int
) -> bytes | None:
    """Some raw bytes of a log from its kept pieces (key to value); None where one of them is no longer there."""
    found, wanted = bytearray(), range(offset, offset + size)
    for key in sorted(kept):
        begin = int(key.rsplit("/", 1)[1])
        value = kept[key]
        if begin >= wanted.stop:
            break
        if value.startswith(b"r"):
            raw: bytes | None = unpacked_piece(value)
        else:
            digest, length = orjson.loads(value)
            if begin + length <= offset:
                continue
            raw = archived(digest)
        if raw is None:
            return None
        found += raw[max(0, offset - begin) : wanted.stop - begin]
    return bytes(found) if len(found) == size else None

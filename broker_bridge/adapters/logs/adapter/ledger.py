"""What the drop folder remembers in the outbox's read state, and how it is spelled there.

    folder                                      device on which the folder lay
    loose/<name>                                generation whose last reading under this name said something that hangs
                                                on bytes which may still come
    sequence                                    last number in file names, and numbers still waited for
    mapping/<revision>                          hash of the mapping that had this revision, and what of file names
                                                and times it used
    seen/<name>                                 signature under which a file was dealt with, and its generation
    doubt/<name>                                a file of which it was stated that it may be a copy of a log that grows, or
                                                that it is packed in a way that is not read
    file/<generation>                           how far a content has been read, at which revision
    positions/<generation>/<revision>/<chunk>   positions of the records that gave events at that revision

A lost state only means that files are read again: the ids of their events are the same.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from itertools import accumulate, pairwise
from typing import Final
from urllib.parse import quote_from_bytes, unquote_to_bytes

import orjson
import zstandard

from broker_bridge.adapters.logs.adapter.folder import Signature

SEEN: Final = "seen/"
DOUBTS: Final = "doubt/"
FILES: Final = "file/"
LOOSE: Final = "loose/"
MAPPINGS: Final = "mapping/"
FOLDER: Final = "folder"
SEQUENCE: Final = "sequence"


@dataclass(frozen=True, slots=True)
class Seen:
    """A file that has been dealt with."""

    signature: Signature
    generation: str | None
    """Absent: it was there at the first start and passed over, or was too large."""
    passed_over: int | None = None
    """The limit in bytes above which it was; another limit makes it worth another look."""


@dataclass(frozen=True, slots=True)
class FileState:
    """How far the content of a generation has been read."""

    revision: int
    taken: int
    """Takings that are safely kept, in their order."""
    done: bool
    digest: str
    """Hash of the content in the raw archive; empty where the file could not be read at all."""
    name: str
    modified: str
    """The file's time of last change when it was read (RFC 3339): its values stay the same when read again."""
    companions: Sequence[tuple[str, str, str]] = ()
    """Name, hash and time of last change of each companion file with which it was read."""
    size: int = 0
    """Bytes of the content; 0 in states that were kept before it was noted."""
    extended: bool = False
    """A longer content has followed: what hung on its bytes was taken back and is not given again."""

    @property
    def modified_time(self) -> datetime:
        """`modified` as a time."""
        return self.time(self.modified)

    @staticmethod
    def time(text: str) -> datetime:
        """A time as it stands in the state."""
        return datetime.fromisoformat(text)


@dataclass(frozen=True, slots=True)
class MappingState:
    """A mapping that was in use."""

    hash: str
    uses: tuple[str, ...]
    """What of file names and times its events depended on: part of the generations it gave."""


def dump_mapping(state: MappingState) -> bytes:
    """The value under a mapping's key."""
    return orjson.dumps([state.hash, list(state.uses)])


def load_mapping_state(value: bytes) -> MappingState:
    """Read it back."""
    hash_, uses = orjson.loads(value)
    return MappingState(hash_, tuple(uses))


def seen_key(name: str) -> str:
    """The key of a file name; any bytes a file system allows become plain characters."""
    return SEEN + quoted(name)


def quoted(name: str) -> str:
    """A file name as plain characters."""
    return quote_from_bytes(os.fsencode(name), safe="")


def name_of(key: str) -> str:
    """The file name of a key."""
    return os.fsdecode(unquote_to_bytes(key.removeprefix(SEEN)))


def dump_seen(seen: Seen) -> bytes:
    """The value under a file's key."""
    return orjson.dumps([list(seen.signature), seen.generation, seen.passed_over])


def load_seen(value: bytes) -> Seen:
    """Read it back."""
    signature, generation, passed_over = orjson.loads(value)
    return Seen(Signature(*signature), generation, passed_over)


def dump_file(state: FileState) -> bytes:
    """The value under a generation's key."""
    return orjson.dumps(asdict(state))


def load_file(value: bytes) -> FileState:
    """Read it back."""
    return FileState(**orjson.loads(value))


def positions_prefix(generation: str) -> str:
    """Begins the keys of all positions of a generation."""
    return f"positions/{generation}/"


def positions_key(generation: str, revision: int, chunk: int) -> str:
    """Key of the positions in one chunk of takings."""
    return f"{positions_prefix(generation)}{revision:06d}/{chunk:08d}"


def revision_of(key: str) -> int:
    """The revision in a key of positions."""
    return int(key.split("/")[2])


def dump_positions(positions: Sequence[int]) -> bytes:
    """Positions as compressed differences."""
    differences = [later - earlier for earlier, later in pairwise([0, *positions])]
    return zstandard.ZstdCompressor(level=3).compress(orjson.dumps(differences))


def load_positions(values: Iterable[bytes]) -> set[int]:
    """The positions of several chunks."""
    positions: set[int] = set()
    for value in values:
        positions.update(accumulate(orjson.loads(zstandard.ZstdDecompressor().decompress(value))))
    return positions

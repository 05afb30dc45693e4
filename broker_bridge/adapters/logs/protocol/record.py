"""What every reader gives: native records, and what it refuses.

A record's `raw` is exactly `content[position:end]` of the decompressed content, so it can be found and proven
again. Texts stay texts: numbers, times and identifiers get their types in the mapping.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol, TypeAlias

Value: TypeAlias = "str | list[Value] | dict[str, Value] | None"
"""Text as the source wrote it, None for a stated nothing, or nested lists and objects of these."""


class Signal(Enum):
    """Why there is no record now."""

    NEED_DATA = "give me more bytes, or b'' for the end"
    END = "every byte has been accounted for"


NEED_DATA = Signal.NEED_DATA
END = Signal.END


@dataclass(slots=True)
class NativeRecord:
    """One record as the source wrote it. Treat as frozen; it is not, because making frozen ones costs double."""

    kind: str
    position: int
    """Byte offset of the record in the decompressed content."""
    end: int
    """Offset after the record and its line end."""
    line: int
    """Line on which it starts, from 1."""
    raw: bytes
    fields: Mapping[str, Value]
    columns: tuple[str, ...] = ()
    """The fields' names in their order on the line, where there is one: lets `place` name the column."""
    flags: tuple[str, ...] = ()

    def place(self, name: str) -> str:
        """Where in the source a field stands, for a person with an editor."""
        if name in self.columns:
            return f"line {self.line}, column {self.columns.index(name) + 1} ({name})"
        return f"line {self.line}, {name}"


def digest_of(raw: bytes) -> str:
    """SHA-256 of raw bytes, lower-case hexadecimal."""
    return hashlib.sha256(raw).hexdigest()


@dataclass(frozen=True, slots=True)
class Refused:
    """Bytes that are no record. They are kept and told; reading goes on behind them."""

    position: int
    end: int
    line: int
    reason: str
    code: str
    """encoding, nul, oversize, quoting, columns, header, unknown_kind, syntax, incomplete ..."""
    raw: bytes = b""
    """The bytes, or their beginning where `size` says that there were more."""
    place: str = ""
    value: str | None = None
    kind: str | None = None
    """The kind of record it would have been, where that is certain."""
    size: int = -1
    digest: str = field(default="")

    def __post_init__(self) -> None:
        if self.size < 0:
            object.__setattr__(self, "size", len(self.raw))
        if not self.digest:
            object.__setattr__(self, "digest", digest_of(self.raw))
        if not self.place:
            object.__setattr__(self, "place", f"line {self.line}")


class Reader(Protocol):
    """A pure, incremental reader. Any cut of the bytes gives the same records."""

    complete: bool
    """At the end: whether the content ended as the settings say a complete one does."""

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" says that the content has ended."""
        ...

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal in the order of the content; NEED_DATA or END when there is none now."""
        ...

"""What every reader's settings have in common, as they stand in a mapping file."""

from collections.abc import Sequence
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from broker_bridge.adapters.logs.protocol.lines import encoding_name, last_line
from broker_bridge.events.base import Slug

RESERVED = frozenset({"file"})
"""Names that a record kind cannot have: `$file.…` means the file itself."""


def _free(kind: str) -> str:
    if kind in RESERVED:
        raise ValueError(f"{kind!r} is taken: $file names the file's own name and time")
    return kind


Kind = Annotated[Slug, AfterValidator(_free)]
Encoding = Annotated[str, AfterValidator(encoding_name)]
Column = Annotated[str, Field(min_length=1, max_length=200)]


class Settings(BaseModel):
    """Base of reader settings: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class ReaderSettings(Settings):
    """What every reader's settings offer to the mapping."""

    NESTED: ClassVar[bool] = False
    """Fields may hold fields: columns are paths."""
    ENDS: ClassVar[bool] = False
    """The content can be seen to lack its end."""

    decimal: Literal[".", ","] = "."
    """Decimal sign of numbers."""

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record and their columns; no columns where they are not known beforehand."""
        raise NotImplementedError

    @property
    def ends(self) -> bool:
        """Whether content that lacks its end can be told from complete content."""
        return self.ENDS

    def may_be_cut(self, content: bytes) -> bool:
        """Whether more of the last record may still come behind the content, though nothing shows that it must."""
        return False

    @staticmethod
    def refuse_double_kinds(kinds: Sequence[str]) -> None:
        """Raise ValueError when a kind stands twice."""
        if len(set(kinds)) != len(kinds):
            raise ValueError(f"a kind stands twice in records: {list(kinds)}")


class TextSettings(ReaderSettings):
    """Settings of readers that go line by line."""

    encoding: Encoding
    """utf-8 (a byte order mark is understood), utf-16 (with its mark), utf-16-le, utf-16-be, or a code page."""
    line_end: Annotated[str, Field(min_length=1, max_length=4)] = "\n"
    """What ends a line; a carriage return before a line feed is dropped with it."""
    max_record_bytes: Annotated[int, Field(ge=64, le=2**30)] = 4 * 2**20
    """A record longer than this is refused with its offset."""

    def may_be_cut(self, content: bytes) -> bool:
        """The last line has no line end: what is written of it may be its beginning only."""
        return bool(last_line(content, self.encoding, self.line_end))

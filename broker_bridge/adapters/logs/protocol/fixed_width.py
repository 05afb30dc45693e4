"""Fixed-width text: columns stand at stated characters of the line."""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.line_reader import LineReader
from broker_bridge.adapters.logs.protocol.lines import Line
from broker_bridge.adapters.logs.protocol.settings import Column, Kind, Settings, TextSettings

Span = tuple[Annotated[int, Field(ge=1)], Annotated[int, Field(ge=1)]]
"""First character, from 1, and number of characters."""


class FixedRows(Settings):
    """One kind of line."""

    kind: Kind
    columns: Annotated[Mapping[Column, Span], Field(min_length=1)]
    tag: str | None = None
    """Text that marks lines of this kind ..."""
    tag_at: Annotated[int, Field(ge=1)] = 1
    """... from this character on."""


class FixedWidth(TextSettings):
    """Lines with columns at fixed characters."""

    kind: Literal["fixed"]
    preamble: Annotated[int, Field(ge=0, le=10_000)] = 0
    """Lines at the start of the file that are skipped."""
    comment: Annotated[str, Field(min_length=1)] | None = None
    records: Annotated[tuple[FixedRows, ...], Field(min_length=1)]
    """The first whose tag fits tells the kind."""

    @model_validator(mode="after")
    def _kinds_can_be_told_apart(self) -> "FixedWidth":
        self.refuse_double_kinds([one.kind for one in self.records])
        for one in self.records[:-1]:
            if one.tag is None:
                raise ValueError(
                    f"{one.kind!r} has no tag and takes every line: only the last kind may have none"
                )
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record and their columns."""
        return {one.kind: frozenset(one.columns) for one in self.records}


class FixedWidthReader(LineReader):
    """The incremental reader. A line that ends before a column begins is refused, not padded."""

    def __init__(self, settings: FixedWidth) -> None:
        super().__init__(settings)
        self._set = settings
        self._preamble = settings.preamble
        self._rows = [
            (
                one,
                tuple(one.columns),
                [(name, start - 1, start - 1 + width) for name, (start, width) in one.columns.items()],
                max(start for start, _ in one.columns.values()),
            )
            for one in settings.records
        ]

    def line(self, line: Line) -> None:
        """Take one line."""
        text = line.text
        if self._preamble:
            self._preamble -= 1
            return
        if (
            not text
            or text.isspace()
            or (self._set.comment is not None and text.startswith(self._set.comment))
        ):
            return
        for one, names, spans, least in self._rows:
            if one.tag is not None and not text.startswith(one.tag, one.tag_at - 1):
                continue
            if len(text) < least:
                reason = f"has {len(text)} characters; the last column of {one.kind} begins at {least}"
                self.refuse(line, "columns", reason, one.kind)
                return
            fields: dict[str, str | None] = {name: text[start:end] for name, start, end in spans}
            self.ready.append(self.record(one.kind, line, fields, names))
            return
        self.refuse(line, "unknown_kind", "begins with none of the tags")

    def unreadable(self, refused: object) -> None:
        """Take a line that cannot be read."""
        if self._preamble:
            self._preamble -= 1
        else:
            super().unreadable(refused)  # type: ignore[arg-type]

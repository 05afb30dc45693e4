"""Settings of the delimited reader, as they stand in a mapping file."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from broker_bridge.adapters.logs.protocol.lines import last_line
from broker_bridge.adapters.logs.protocol.quoting import BLANKS
from broker_bridge.adapters.logs.protocol.settings import Column, Kind, Settings, TextSettings


class Rows(Settings):
    """One kind of record in a delimited file."""

    kind: Kind
    layout: Literal["table", "pairs"] = "table"
    """`table`: a record a row. `pairs`: `Key;Value` lines which together are one record."""
    assign: Annotated[str, Field(min_length=1, max_length=4)] | None = None
    """With `pairs`: the sign between key and value where it is not the delimiter: `Program: HW-1`."""
    tag: str | None = None
    """Text in the tag column that marks rows of this kind."""
    heading: str | None = None
    """Line that begins the section of this kind, without surrounding blanks."""
    after_blank: bool = False
    """The section begins after one or more blank lines, behind the kind listed before it."""
    header: bool = False
    """The first line of the section names the columns; with `columns` it must name exactly these."""
    columns: Annotated[tuple[Column, ...], Field(max_length=2000)] = ()
    """The columns in order (without the tag column)."""
    needs: tuple[Column, ...] = ()
    """Columns that a header must name at least, where the order and the other columns are free."""

    @model_validator(mode="after")
    def _columns_are_known(self) -> "Rows":
        if self.layout == "pairs":
            if self.columns or self.header or self.needs:
                raise ValueError(
                    'layout = "pairs" takes its names from the lines: no columns, header or needs'
                )
        elif self.assign is not None:
            raise ValueError('`assign` goes with layout = "pairs"')
        elif not self.columns and not self.header:
            raise ValueError("state `columns`, or `header = true` where the file names them")
        if len(set(self.columns)) != len(self.columns):
            raise ValueError("a column name stands twice in `columns`; give each its own name")
        if self.tag is not None and (self.heading is not None or self.header or self.after_blank):
            raise ValueError("a kind with a tag has no section: no heading, header or after_blank")
        if self.needs and (self.columns or not self.header):
            raise ValueError("`needs` goes with header = true and without columns")
        return self


class Delimited(TextSettings):
    """Delimited text."""

    kind: Literal["delimited"]
    delimiter: Annotated[str, Field(min_length=1, max_length=8)] = ","
    """What stands between two columns; `blanks`: any run of blanks or tabs."""
    quote: Annotated[str, Field(max_length=1)] = '"'
    """Quote character, doubled inside a quoted field; empty: quotes are plain text."""
    comment: Annotated[str, Field(min_length=1)] | None = None
    """Lines that begin so are skipped."""
    preamble: Annotated[int, Field(ge=0, le=10_000)] = 0
    """Lines at the start of the file that are skipped."""
    trailer: Annotated[str, Field(min_length=1)] | None = None
    """A line that begins so ends the file; a file without it is not complete."""
    behind_trailer: Literal["again", "skip"] = "again"
    """What stands behind the trailer: the same again, where files were joined, or a footer that is skipped."""
    tag_column: Annotated[int, Field(ge=1)] = 1
    trailing_delimiter: bool = False
    """Every row ends with one more delimiter."""
    short_rows: Literal["refuse", "absent"] = "refuse"
    """Rows with fewer columns than stated: refused, or the missing ones are absent."""
    records: Annotated[tuple[Rows, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _kinds_can_be_told_apart(self) -> "Delimited":
        if len(self.delimiter) > 1 and self.quote and self.delimiter != BLANKS:
            raise ValueError('a delimiter of several characters goes only with quote = ""')
        if self.delimiter == self.decimal and not self.quote:
            raise ValueError(f"delimiter and decimal sign are both {self.decimal!r} and nothing is quoted")
        if self.behind_trailer == "skip" and self.trailer is None:
            raise ValueError("`behind_trailer` goes with `trailer`")
        if any(rows.assign is not None and rows.tag is not None for rows in self.records):
            raise ValueError(
                "`assign` goes with sections, not with tags: a tag stands in a column of its own"
            )
        kinds = [rows.kind for rows in self.records]
        self.refuse_double_kinds(kinds)
        tags = [rows.tag for rows in self.records if rows.tag is not None]
        if tags and len(tags) != len(kinds):
            raise ValueError("either all kinds have a tag or none")
        if len(set(tags)) != len(tags):
            raise ValueError(f"a tag stands twice in records: {tags}")
        for before, rows in zip(self.records, self.records[1:], strict=False):
            if tags or rows.heading is not None or rows.after_blank or (rows.header and rows.columns):
                continue
            raise ValueError(
                f"nothing tells where {rows.kind!r} begins and {before.kind!r} ends: give it a tag, a heading,"
                " after_blank, or header = true with columns"
            )
        return self

    def kinds(self) -> dict[str, frozenset[str]]:
        """The kinds of record and their columns, as far as stated."""
        return {rows.kind: frozenset(rows.columns) for rows in self.records}

    def may_be_cut(self, content: bytes) -> bool:
        """The last line has no line end and is no trailer, or a quoted field may be open that goes on behind it."""
        rest = last_line(content, self.encoding, self.line_end)
        if rest:
            return self.trailer is None or not rest.startswith(self.trailer.encode(self.encoding))
        return bool(self.quote) and content.count(self.quote.encode(self.encoding)) % 2 == 1

    @property
    def ends(self) -> bool:
        """A stated trailer shows whether the content has its end."""
        return self.trailer is not None

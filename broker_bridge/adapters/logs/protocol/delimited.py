"""Delimited text (RFC 4180 and its relatives), with several kinds of record in one file.

Kinds are told apart by a tag in a column, by a heading line, by their header line, or by a blank line before
them. A `pairs` kind collects `Key;Value` lines into one record. A header line that is not as stated refuses its
whole section: a shifted column would give confident wrong values. A line that cannot be read and may have been
a heading leaves the section unknown until the next heading, for the same reason.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from broker_bridge.adapters.logs.protocol.delimited_settings import Delimited, Rows
from broker_bridge.adapters.logs.protocol.lines import Line, Lines
from broker_bridge.adapters.logs.protocol.pairs import Pairs
from broker_bridge.adapters.logs.protocol.quoting import BLANKS, Quoting
from broker_bridge.adapters.logs.protocol.record import NEED_DATA, NativeRecord, Refused, Signal
from broker_bridge.adapters.logs.protocol.region import Region

_AT_ONCE: Final = 64
"""Rows that are made before the first of them is asked for."""


class DelimitedReader:
    """The incremental reader."""

    def __init__(self, settings: Delimited) -> None:
        self._set = settings
        self._lines = Lines(settings.encoding, settings.line_end, settings.max_record_bytes)
        self._quoting = Quoting(settings.delimiter, settings.quote)
        self._tags = {rows.tag: rows for rows in settings.records if rows.tag is not None}
        self._headings = {rows.heading.strip(): rows for rows in settings.records if rows.heading is not None}
        self._header_lines = {
            rows.columns: rows
            for rows in settings.records
            if rows.header and rows.columns and rows.heading is None and not rows.after_blank
        }
        self._header_firsts = frozenset(columns[0] for columns in self._header_lines)
        self._header_lasts = frozenset(columns[-1] for columns in self._header_lines)
        self._following = dict(zip(settings.records, settings.records[1:], strict=False))
        self._preamble = settings.preamble
        self._put_back: list[Line | Refused] = []
        self._quoted: list[Line] = []
        self._ready: deque[NativeRecord | Refused] = deque()
        self._pairs: Pairs | None = None
        self._skipping: Region | None = None
        self._section: Rows | None = None
        self._names: tuple[str, ...] = ()
        self._expects_header = False
        self._blank = False
        self._finished = False
        self._in_footer = False
        self._in_doubt = False
        """A quoted field was open at the end: what is read behind its beginning may be its text."""
        self._plain: str | None = None
        """Kind of the last line, where it was a row in the middle of a table and nothing else is open."""
        self._quote = settings.quote
        self._delimiter = None if settings.delimiter == BLANKS else settings.delimiter
        # First characters of lines that may be something else than a row.
        marks = [settings.comment, settings.trailer, *self._headings]
        self._marks = frozenset(mark[0] for mark in marks if mark) | frozenset(
            " \t\v\f\x1c\x1d\x1e\x1f\x85\xa0"
        )
        self.complete = settings.trailer is None
        """Whether the stated trailer has been met since the last row."""
        self._restart()

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        self._lines.receive_data(data)

    def next_record(self) -> NativeRecord | Refused | Signal:
        """The next record or refusal, in order."""
        ready = self._ready
        while not ready:
            if self._plain is not None and not self._put_back:
                self._read_on(self._plain)
                if ready:
                    break
            item = self._put_back.pop() if self._put_back else self._lines.next_line()
            if isinstance(item, Line):
                self._line(item)
            elif isinstance(item, Refused):
                self._unreadable(item)
            elif item is NEED_DATA or self._finished:
                return item
            elif self._quoted:
                self._in_doubt = True
                self._give_up_quote("is not closed before the end of the file")
            else:
                self._finished = True
                self._close()
        return ready.popleft()

    def _read_on(self, kind: str) -> None:
        """Give the rows that are surely like the one before: the short way for most lines."""
        names, marks, quote, delimiter = self._names, self._marks, self._quote, self._delimiter
        firsts, lasts = self._header_firsts, self._header_lasts
        columns, give, next_plain = len(names), self._ready.append, self._lines.next_plain
        for _ in range(_AT_ONCE):
            line = next_plain()
            if line is None:
                return
            text, position, number, raw, _ = line
            if text and text[0] not in marks and not (quote and quote in text):
                cells = text.split(delimiter)
                if len(cells) == columns and not (cells[-1].strip() in lasts and cells[0].strip() in firsts):
                    fields = dict(zip(names, cells, strict=True))
                    give(NativeRecord(kind, position, position + len(raw), number, raw, fields, names))
                    continue
            self._line(Line(*line))
            return

    def _may_be_header(self, cells: Sequence[str]) -> bool:
        return cells[-1].strip() in self._header_lasts and cells[0].strip() in self._header_firsts

    def _line(self, line: Line) -> None:
        settings, text = self._set, line.text
        self._plain = None
        if self._preamble:
            self._preamble -= 1
        elif self._in_footer:
            return
        elif self._quoted:
            self._go_on_quoted(line)
        elif not text or text.isspace():
            self._blank = True
            self._pass_over(line)
        elif settings.comment is not None and text.startswith(settings.comment):
            self._pass_over(line)
        elif settings.trailer is not None and text.startswith(settings.trailer):
            self._close()
            self._restart()
            self.complete = True
            self._in_footer = settings.behind_trailer == "skip"
        elif self._headings and (rows := self._headings.get(text.strip())) is not None:
            self._begin(rows)
        elif self._quoting.stays_open(text):
            self._quoted = [line]
            self._quoted_bytes = len(line.raw)
        else:
            self._row(line, line.raw, (text,))

    # -- sections

    def _restart(self) -> None:
        first = self._set.records[0]
        self._section = None
        if not self._tags and first.heading is None:
            self._begin(first)

    def _begin(self, rows: Rows) -> None:
        self._close()
        self._section = rows
        self._names = rows.columns
        self._expects_header = rows.header
        self._blank = False

    def _close(self) -> None:
        if self._pairs is not None:
            self._ready.append(self._pairs.ended())
            self._pairs = None
        if self._skipping is not None:
            if self._skipping.size:
                self._ready.append(self._skipping.refusal())
            self._skipping = None

    def _pass_over(self, line: Line) -> None:
        if self._pairs is not None:
            self._pairs.pass_over(line.raw)
        elif self._skipping is not None:
            self._skipping.add(line.raw)

    # -- what cannot be read

    def _unreadable(self, refused: Refused) -> None:
        self._plain = None
        if self._preamble:
            self._preamble -= 1
            return
        if self._in_footer:
            return
        if self._quoted:
            self._put_back.append(refused)
            self._give_up_quote("is followed by a line that cannot be read")
            return
        delimiter = " " if self._set.delimiter == BLANKS else self._set.delimiter
        is_row = refused.code == "encoding" and delimiter.encode() in refused.raw
        self._set_aside(refused, refused.line + 1, is_row or len(self._set.records) == 1)

    def _set_aside(self, refused: Refused, next_line: int, is_row: bool) -> None:
        """Tell what is refused. `is_row`: it is surely a row of its section, no heading."""
        section, pairs, skipping = self._section, self._pairs, self._skipping
        if skipping is not None and refused.size == len(refused.raw):
            skipping.add(refused.raw)
            return
        self._close()
        kind = section.kind if section is not None and is_row else None
        self._ready.append(replace(refused, kind=kind))
        behind = f"stands behind line {refused.line}, which cannot be read"
        if skipping is not None:
            self._skipping = skipping.again(refused.end, next_line)
            return
        cause: tuple[str, str, str | None]
        if pairs is not None:
            cause = ("incomplete", behind + " and belongs to the same block", pairs.kind)
        elif section is not None and self._expects_header:
            cause = ("header", behind + " and should name the columns", section.kind)
        elif not is_row and not self._tags:
            cause = ("unknown_kind", behind + " and may begin another section", None)
        else:
            return
        code, reason, kind = cause
        self._skipping = Region(refused.end, next_line, code=code, reason=reason, kind=kind)

    # -- quoted fields over several lines

    def _go_on_quoted(self, line: Line) -> None:
        self._quoted.append(line)
        self._quoted_bytes += len(line.raw)
        if self._quoted_bytes > self._set.max_record_bytes:
            self._give_up_quote(f"is not closed within {self._set.max_record_bytes} bytes")
        elif not self._quoting.stays_open(line.text, inside=True):
            lines, self._quoted = self._quoted, []
            # RFC 4180 keeps line ends inside quotes as they are.
            texts = [self._lines.text_of(line) for line in lines[:-1]]
            self._row(lines[0], b"".join(line.raw for line in lines), [*texts, lines[-1].text])

    def _give_up_quote(self, why: str) -> None:
        """Refuse the line with the opening quote alone, and read on with the line behind it."""
        first, *rest = self._quoted
        self._quoted = []
        self._put_back.extend(reversed(rest))
        reason = (
            f"a quoted field that begins on this line {why}; this line is set aside and reading goes on with the"
            ' next one (state quote = "" where quotes are plain text)'
        )
        self._misquoted(first, first.raw, 1, reason)

    def _misquoted(self, line: Line, raw: bytes, lines: int, reason: str) -> None:
        end = line.position + len(raw)
        refused = Refused(line.position, end, line.number, reason, "quoting", raw, value=line.text[:120])
        self._set_aside(refused, line.number + lines, is_row=True)

    # -- rows

    def _row(self, line: Line, raw: bytes, texts: Sequence[str]) -> None:
        self.complete = self._set.trailer is None
        try:
            cells = self._quoting.cells(texts)
        except ValueError as error:
            self._misquoted(line, raw, len(texts), f"quotes are not as RFC 4180 has them: {error}")
            return
        if self._set.trailing_delimiter and cells and not cells[-1]:
            cells.pop()
        if self._tags:
            self._tagged_row(line, raw, cells)
            return
        if cells and self._may_be_header(cells):
            rows = self._header_lines.get(tuple(cell.strip() for cell in cells))
            if rows is not None:
                self._begin(rows)
        if self._blank:
            self._blank = False
            following = self._following.get(self._section) if self._section is not None else None
            if following is not None and following.after_blank and not self._expects_header:
                self._begin(following)
        section = self._section
        if self._skipping is not None:
            self._skipping.add(raw)
        elif section is None:
            self._refuse(line, raw, "unknown_kind", "stands before the first section", texts[0])
        elif self._expects_header:
            self._header(section, line, raw, cells)
        elif section.layout == "pairs":
            if section.assign is None:
                self._pair(section.kind, line, raw, cells)
            else:
                self._assigned(section.kind, section.assign, line, raw, "".join(texts))
        else:
            self._record(section.kind, self._names, line, raw, cells)

    def _tagged_row(self, line: Line, raw: bytes, cells: list[str]) -> None:
        at = self._set.tag_column - 1
        tag = cells.pop(at).strip() if at < len(cells) else None
        rows = self._tags.get(tag) if tag is not None else None
        block = self._pairs or self._skipping
        if block is not None and (rows is None or block.kind != rows.kind or rows.layout == "table"):
            self._close()
        if rows is None:
            known = ", ".join(repr(tag) for tag in self._tags)
            self._refuse(
                line, raw, "unknown_kind", f"column {at + 1} names no kind of record; known: {known}", tag
            )
        elif self._skipping is not None:
            self._skipping.add(raw)
        elif rows.layout == "pairs":
            self._pair(rows.kind, line, raw, cells)
        else:
            self._record(rows.kind, rows.columns, line, raw, cells)

    def _header(self, section: Rows, line: Line, raw: bytes, cells: list[str]) -> None:
        self._expects_header = False
        names = tuple(cell.strip() for cell in cells)
        fault = header_fault(section, names)
        if fault is None:
            self._names = names
            return
        reason, column, value = fault
        place = f"line {line.number}, column {column}" if column else f"line {line.number}"
        self._skipping = Region(
            line.position,
            line.number,
            code="header",
            reason=reason,
            place=place,
            value=value,
            kind=section.kind,
        )
        self._skipping.add(raw)

    def _pair(self, kind: str, line: Line, raw: bytes, cells: list[str]) -> None:
        while len(cells) > 2 and not cells[-1]:
            cells.pop()
        if self._pairs is None:
            self._pairs = Pairs(kind, line.position, line.number, self._set.max_record_bytes)
        self._pairs.add(raw, line.number, cells[0].strip() if cells else "", cells[1:])

    def _assigned(self, kind: str, sign: str, line: Line, raw: bytes, text: str) -> None:
        key, found, value = text.partition(sign)
        self._pair(kind, line, raw, [key, value.strip()])
        if not found and self._pairs is not None:
            self._pairs.spoil("syntax", f"a line of the block holds no {sign!r}", line.number, text[:80])

    def _record(self, kind: str, names: tuple[str, ...], line: Line, raw: bytes, cells: list[str]) -> None:
        if len(cells) != len(names) and (len(cells) > len(names) or self._set.short_rows == "refuse"):
            reason = f"has {len(cells)} columns where records of kind {kind} have {len(names)}"
            self._refuse(line, raw, "columns", reason, line.text, kind)
            return
        position = line.position
        record = NativeRecord(
            kind,
            position,
            position + len(raw),
            line.number,
            raw,
            dict(zip(names, cells, strict=False)),
            names,
        )
        if not raw.endswith(self._lines.terminator):
            record.flags = ("unterminated",)
        if self._in_doubt:
            record.flags = (*record.flags, "incomplete")
        self._ready.append(record)
        if not self._tags and not self._set.trailing_delimiter and not self._in_doubt:
            self._plain = kind

    def _refuse(
        self, line: Line, raw: bytes, code: str, reason: str, value: str | None, kind: str | None = None
    ) -> None:
        if kind is None and self._section is not None:
            kind = self._section.kind
        value = value[:120] if value is not None else None
        self._ready.append(
            Refused(
                line.position,
                line.position + len(raw),
                line.number,
                reason,
                code,
                raw,
                value=value,
                kind=kind,
            )
        )


def header_fault(section: Rows, names: Sequence[str]) -> tuple[str, int | None, str | None] | None:
    """What is wrong with a header line: reason, column from 1 and value; None where it is as stated."""
    twice = {name for name in names if names.count(name) > 1}
    if twice and not section.columns:
        name = sorted(twice)[0]
        return f"the header names the column {name!r} twice", list(names).index(name) + 1, name
    if section.columns:
        for column, (found, stated) in enumerate(zip(names, section.columns, strict=False), 1):
            if found != stated:
                return f"column {column} is headed {found!r}, the mapping states {stated!r}", column, found
        if len(names) != len(section.columns):
            return (
                f"the header names {len(names)} columns, the mapping states {len(section.columns)}",
                None,
                names[-1] if len(names) > len(section.columns) else None,
            )
    missing = [name for name in section.needs if name not in names]
    if missing:
        return f"the header does not name the column {missing[0]!r}; it names {list(names)}", None, None
    return None

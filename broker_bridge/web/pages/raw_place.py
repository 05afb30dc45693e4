"""Raw bytes for a person, the one place marked that the refusal names. Pure.

A refusal names line and column, character or byte. Where the mapping's sign between columns does not put it there, or is not
known, a cell is marked only where every sign that puts the refused value into that column puts it at the same place. What is
not sure is not marked: then its line is, and without a line nothing.
"""

import re
from collections.abc import Iterator
from typing import Final, Literal, NamedTuple

_LONGEST: Final = 20_000
"""Characters that are shown."""
_DUMPED: Final = 2_048
"""Bytes that are shown where they are no text."""
_ROW: Final = 16
_SIGNS: Final = (";", ",", "\t", "|")
_PLACE: Final = re.compile(
    r"line (?P<line>\d{1,15})(?:, (?:column (?P<column>\d{1,9})(?: .*)?|character (?P<character>\d{1,9})"
    r"|byte (?P<byte>\d{1,9}) of the line|.*))?",
    re.DOTALL,
)


class Piece(NamedTuple):
    """Characters in a row."""

    text: str
    marked: bool


class Layout(NamedTuple):
    """How a mapping reads a file, as far as it says."""

    encoding: str | None = None
    delimiter: str | None = None
    """Sign between columns."""


class RawView(NamedTuple):
    """What is shown of raw bytes."""

    lines: tuple[tuple[Piece, ...], ...]
    marks: Literal["value", "line", "nothing"]
    """What of it is marked."""
    times: int
    """How often the value stands there; it is marked once at most."""
    encoding: str
    """Of Python's names; bytes where it is no text."""
    stated: bool
    """Whether the mapping states it; else it is the first of utf-8, cp1252, latin-1 that gives text."""
    left_out: int
    """Bytes or characters that are not shown."""


class _Span(NamedTuple):
    start: int
    end: int


def raw_view(
    raw: bytes,
    place: str | None,
    value: str | None,
    *,
    first: int | None = None,
    layout: Layout = Layout(),  # noqa: B008
) -> RawView:
    """Text with what `place` names marked, else bytes and their places. `first`: the line of its file that `raw` begins with."""
    text, encoding, stated = _text(raw, layout.encoding)
    if text is None:
        rows = [_row(raw, at) for at in range(0, min(len(raw), _DUMPED), _ROW)]
        lines = tuple((Piece(row, False),) for row in rows)
        return RawView(lines, "nothing", 0, "bytes", False, max(0, len(raw) - _DUMPED))
    text = text.replace("\r\n", "\n")
    span, marks = _marked(raw, text, encoding, place, value, first, layout.delimiter)
    begin = 0 if span is None or span.end <= _LONGEST else max(0, span.start - _LONGEST // 2)
    end = min(len(text), begin + _LONGEST)
    shown = text[begin:end]
    inside = _Span(0, 0) if span is None else _Span(span.start - begin, min(span.end, end) - begin)
    return RawView(
        tuple(_lines(shown, inside)), marks, text.count(value) if value else 0, encoding, stated, len(text) - len(shown)
    )  # fmt: skip


def _text(raw: bytes, encoding: str | None) -> tuple[str | None, str, bool]:
    """What is no text in the encoding that the mapping states stands in it as backslashes: that may be what was refused."""
    if encoding is not None:
        try:
            return raw.decode(encoding), encoding, True
        except UnicodeDecodeError:
            text = raw.decode(encoding, "backslashreplace")
            return (text, encoding, True) if _readable(text) else (None, "bytes", False)
    for guess in ("utf-8", "cp1252", "latin-1"):
        try:
            text = raw.decode(guess)
        except UnicodeDecodeError:
            continue
        if _readable(text):
            return text, guess, False
    return None, "bytes", False


def _readable(text: str) -> bool:
    strange = sum(not (sign.isprintable() or sign in "\n\t\r\ufeff") for sign in text)
    return strange <= max(1, len(text) // 20)


def _marked(
    raw: bytes, text: str, encoding: str, place: str | None, value: str | None, first: int | None, delimiter: str | None,
) -> tuple[_Span | None, Literal["value", "line", "nothing"]]:  # fmt: skip
    named = _PLACE.fullmatch(place or "")
    if named is None:
        span = _only(text, value, _Span(0, len(text)))
        return span, "nothing" if span is None else "value"
    line = None if first is None else _line(text, int(named["line"]) - first)
    if line is None:
        return None, "nothing"
    span = None
    if named["column"]:
        span = _cell(text, line, int(named["column"]), value, delimiter)
    elif named["character"]:
        span = _sign(text, line, int(named["character"]))
    elif named["byte"]:
        span = _byte(raw, text, encoding, line, int(named["byte"]))
    else:
        span = _only(text, value, line)
    if span is not None:
        return span, "value"
    return line, "line" if line.end > line.start else "nothing"


def _line(text: str, number: int) -> _Span | None:
    """The line with a number, from 0."""
    at = 0
    for _ in range(number):
        at = text.find("\n", at) + 1
        if not at:
            return None
    end = text.find("\n", at)
    return None if number < 0 else _Span(at, len(text) if end < 0 else end)


def _cell(text: str, line: _Span, column: int, value: str | None, delimiter: str | None) -> _Span | None:
    """The value in its column."""
    if not value:
        return None
    # The mapping may have changed since: a sign that it states now need not be the one it was refused with.
    for signs in ((delimiter,) if delimiter else (), _SIGNS):
        cells = [_columns(text, line.start, sign, column) for sign in signs]
        found = {_inside(text, cell, value) for cell in cells if cell is not None} - {None}
        if found:
            return found.pop() if len(found) == 1 else None
    return _only(text, value, line)


def _columns(text: str, start: int, sign: str, column: int) -> _Span | None:
    """The place of a cell, from 1, in the row that begins there (RFC 4180: quoted cells may hold signs and line ends)."""
    at = start
    for number in range(1, column + 1):
        begin, quoted = at, text.startswith('"', at)
        while quoted:
            closing = text.find('"', at + 1)
            if closing < 0:
                return None
            at, quoted = closing + 1, text.startswith('"', closing + 1)
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        until = text.find(sign, at, end)
        if number == column:
            return _Span(begin, end if until < 0 else until)
        if until < 0:
            return None
        at = until + len(sign)
    return None


def _inside(text: str, cell: _Span, value: str) -> _Span | None:
    """The value in a cell that holds nothing else but blanks and quotes; else where it stands in it only once."""
    told = text[cell.start : cell.end]
    if told.strip(' "\t\r') == value.strip(' "\t\r'):
        at = cell.start + told.find(value)
        return _Span(at, at + len(value)) if value in told else cell
    return _only(text, value, cell)


def _only(text: str, value: str | None, within: _Span) -> _Span | None:
    """The value where it stands by itself and nowhere else."""
    if not value:
        return None
    alone = re.compile(rf"(?<!\w){re.escape(value)}(?!\w)")
    found = [_Span(*one.span()) for one in alone.finditer(text, within.start, within.end)]
    return found[0] if len(found) == 1 else None


def _sign(text: str, line: _Span, number: int) -> _Span | None:
    at = line.start + number - 1 + text.startswith("\ufeff", line.start)
    return _Span(at, at + 1) if line.start <= at < line.end else None


def _byte(raw: bytes, text: str, encoding: str, line: _Span, number: int) -> _Span | None:
    if encoding.startswith("utf-16"):
        return None
    before = text.count("\n", 0, line.start)
    rows = raw.split(b"\n")
    if before >= len(rows) or number > len(rows[before]):
        return None
    row = rows[before]
    at = line.start + len(row[: number - 1].decode(encoding, "backslashreplace"))
    return _Span(at, at + len(row[number - 1 : number].decode(encoding, "backslashreplace")))


def _lines(text: str, span: _Span) -> Iterator[tuple[Piece, ...]]:
    at = 0
    for line in text.split("\n"):
        end = at + len(line)
        start, stop = min(max(span.start, at), end), max(at, min(span.end, end))
        pieces = (
            Piece(text[at:start], False),
            Piece(text[start:stop], True),
            Piece(text[max(start, stop) : end], False),
        )
        yield tuple(piece for piece in pieces if piece.text)
        at = end + 1


def _row(raw: bytes, at: int) -> str:
    part = raw[at : at + _ROW]
    text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part)
    return f"{at:08x}  {part.hex(' '):<47}  {text}"

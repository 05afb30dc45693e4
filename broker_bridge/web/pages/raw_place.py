"""Raw bytes for a person, the value that was refused marked in them. Pure."""

from collections.abc import Iterator
from typing import Final, NamedTuple

_LONGEST: Final = 20_000
"""Characters that are shown."""
_DUMPED: Final = 2_048
"""Bytes that are shown where they are no text."""
_ROW: Final = 16


class Piece(NamedTuple):
    """Characters in a row."""

    text: str
    marked: bool


class RawView(NamedTuple):
    """What is shown of raw bytes."""

    lines: tuple[tuple[Piece, ...], ...]
    found: int
    """How often the value stands there."""
    encoding: str
    """utf-8, latin-1, or bytes where it is no text."""
    left_out: int
    """Bytes or characters that are not shown."""


def raw_view(raw: bytes, value: str | None) -> RawView:
    """Text with the value marked wherever it stands, else bytes and their places."""
    text, encoding = _text(raw)
    if text is None:
        rows = [_row(raw, at) for at in range(0, min(len(raw), _DUMPED), _ROW)]
        return RawView(tuple((Piece(row, False),) for row in rows), 0, "bytes", max(0, len(raw) - _DUMPED))
    shown = text[:_LONGEST]
    found = shown.count(value) if value else 0
    lines: list[tuple[Piece, ...]] = []
    line: list[Piece] = []
    for piece in _pieces(shown, value if found else None):
        first, *rest = piece.text.split("\n")
        line.append(piece._replace(text=first))
        for more in rest:
            lines.append(tuple(line))
            line = [piece._replace(text=more)]
    lines.append(tuple(line))
    return RawView(
        tuple(tuple(piece for piece in one if piece.text) for one in lines),
        found,
        encoding,
        len(text) - len(shown),
    )


def _text(raw: bytes) -> tuple[str | None, str]:
    for encoding in ("utf-8", "latin-1"):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        text = text.replace("\r\n", "\n")
        strange = sum(not (c.isprintable() or c in "\n\t\r") for c in text)
        if strange <= len(text) // 20:
            return text, encoding
    return None, "bytes"


def _pieces(text: str, value: str | None) -> Iterator[Piece]:
    if value is None:
        yield Piece(text, False)
        return
    last = 0
    while (at := text.find(value, last)) >= 0:
        yield Piece(text[last:at], False)
        yield Piece(value, True)
        last = at + len(value)
    yield Piece(text[last:], False)


def _row(raw: bytes, at: int) -> str:
    part = raw[at : at + _ROW]
    text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part)
    return f"{at:08x}  {part.hex(' '):<47}  {text}"

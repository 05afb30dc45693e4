"""Texts of machines made fit for a terminal: nothing in them moves the cursor, turns the line round or overflows.

Bar codes of ISO/IEC 15434 hold control characters, file names hold anything, and a label of 512 characters must
not push the rest of a line away.
"""

import unicodedata
from typing import Final

from rich.cells import cell_len

ELLIPSIS: Final = "…"
_BAD: Final = "\ufffd"
_MARKS: Final = 2
"""Combining marks on one character; more is a joke or an attack."""


def clean(text: str) -> str:
    """On one line, without control, format and unassigned characters: those become visible marks."""
    made: list[str] = []
    marks = 0
    for character in text:
        if " " <= character <= "~":
            marks = 0
            made.append(character)
            continue
        category = unicodedata.category(character)
        if category == "Cc":
            code = ord(character)
            made.append(chr(0x2400 + code) if code < 0x20 else "\u2421" if code == 0x7F else _BAD)
        elif category in ("Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            made.append(_BAD)
        elif category == "Zs":
            made.append(" ")
        elif category in ("Mn", "Me"):
            marks += 1
            if marks <= _MARKS and made:
                made.append(character)
            continue
        else:
            made.append(character)
        marks = 0
    return "".join(made)


def cut(text: str, cells: int) -> str:
    """A cleaned text in at most so many cells, its end dropped."""
    if len(text) <= cells and text.isascii():
        return text
    if cell_len(text) <= cells:
        return text
    return _head(text, cells - 1) + ELLIPSIS if cells > 0 else ""


def squeeze(text: str, cells: int) -> str:
    """A cleaned identifier in at most so many cells, its middle dropped: serials differ at their ends."""
    if cell_len(text) <= cells:
        return text
    room = cells - 1
    tail = _head(text[::-1], room // 2)[::-1] if text.isascii() else _tail(text, room // 2)
    return cut(_head(text, room - cell_len(tail)) + ELLIPSIS + tail, cells)


def fit(text: str, cells: int) -> str:
    """A cleaned text in exactly so many cells."""
    shown = cut(text, cells)
    return shown + " " * (cells - cell_len(shown))


def wrap(text: str, width: int, indent: str, most: int, first: str | None = None) -> list[str]:
    """A cleaned text in at most `most` lines of at most `width` cells; `first` leads the first line in."""
    lines: list[str] = []
    lead = indent if first is None else first
    line = lead
    for word in text.split():
        gap = "" if line == lead else " "
        if cell_len(line + gap + word) <= width or line == lead:
            line = cut(line + gap + word, width)
        elif len(lines) == most - 1:
            return [*lines, cut(f"{line} {word}", width)]
        else:
            lines.append(line)
            lead = indent
            line = cut(indent + word, width)
    return [*lines, line] if text.strip() else []


def _head(text: str, cells: int) -> str:
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if cell_len(text[:middle]) <= cells else (low, middle - 1)
    return text[:low]


def _tail(text: str, cells: int) -> str:
    for start in range(max(0, len(text) - cells), len(text) + 1):
        if cell_len(text[start:]) <= cells and not (text[start:] and unicodedata.combining(text[start])):
            return text[start:]
    return ""

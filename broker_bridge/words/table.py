"""A table for people, or as CSV that no spreadsheet takes for formulas."""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final

from broker_bridge.words.telling import safe

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a text for a formula (CWE-1236); such a text gets an apostrophe in front."""

_GAP: Final = "  "


def text_table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int = 96) -> Iterator[str]:
    """The lines, columns as wide as they have to be; the last one is cut at `width`."""
    cells = [[safe(cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in [list(heads), *cells]) for column in range(len(heads))]
    for row in [list(heads), *cells]:
        line = _GAP.join(cell.ljust(size) for cell, size in zip(row, widths, strict=True)).rstrip()
        yield line if len(line) <= width else line[: width - 3] + "..."


def csv_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """RFC 4180, one line a row, ends with a line end."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heads)
    for row in rows:
        writer.writerow([_harmless(cell) for cell in row])
    return out.getvalue()


def _harmless(cell: str) -> str:
    return "'" + cell if cell.startswith(_FORMULA) else cell

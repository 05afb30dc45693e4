"""Quoted fields (RFC 4180): where they end, and the cells of a row.

Rows without a quote character are split; the others go through Python's csv module, strictly. Whether a row goes
on behind a line end is decided here, because csv does not say how many bytes it has used.
"""

import csv
from collections.abc import Sequence
from typing import Final

# csv's own limit of 131,072 characters a field holds for the whole process; max_record_bytes is ours.
csv.field_size_limit(2**31 - 1)

BLANKS: Final = "blanks"
"""The delimiter that is any run of blanks or tabs."""


class Quoting:
    """How one file quotes. `quote` empty: quote characters are plain text."""

    def __init__(self, delimiter: str, quote: str) -> None:
        self._quote = quote
        self._blanks = delimiter == BLANKS
        self._delimiter = " " if self._blanks else delimiter

    def stays_open(self, text: str, inside: bool = False) -> bool:
        """Whether a quoted field is still open at the end of this line; `inside`: one was at its start."""
        quote, delimiter = self._quote, self._delimiter
        if not quote or quote not in text:
            return inside
        at = 0
        if not inside and text.startswith(quote):
            inside, at = True, 1
        while True:
            if inside:
                at = text.find(quote, at)
                if at < 0:
                    return True
                if text.startswith(quote, at + 1):
                    at += 2
                    continue
                inside = False
                at += 1
            at = text.find(delimiter, at)
            if at < 0:
                return False
            at += 1
            if text.startswith(quote, at):
                inside = True
                at += 1

    def cells(self, texts: Sequence[str]) -> list[str]:
        """The cells of a row; all lines but the last with their line end.

        Raises ValueError when the quotes are not RFC 4180's.
        """
        text = texts[0]
        if len(texts) == 1 and (not self._quote or self._quote not in text):
            return text.split() if self._blanks else text.split(self._delimiter)
        rows = csv.reader(
            texts,
            delimiter=self._delimiter,
            quotechar=self._quote,
            skipinitialspace=self._blanks,
            strict=True,
        )
        try:
            return next(rows)
        except csv.Error as error:
            raise ValueError(str(error)) from None

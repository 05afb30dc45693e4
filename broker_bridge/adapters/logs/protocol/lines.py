"""Bytes -> lines with their place, in the stated encoding, strictly.

Lines end at the stated line end and nowhere else (never `splitlines()`, which also cuts at VT, FF, NEL and
U+2028); one carriage return before a line feed belongs to the line end. UTF-16 is cut by code unit, because
its characters may hold the byte 0x0A. A line longer than the limit is refused with its offset, hash and size
while only its beginning is kept in memory.
"""

import codecs
import hashlib
import re
from collections.abc import Sequence
from typing import Final, NamedTuple

from broker_bridge.adapters.logs.protocol.record import END, NEED_DATA, Refused, Signal, digest_of

KEPT_OF_OVERSIZE: Final = 4096
"""Bytes kept of a line that is too long; the rest is in the archived file."""

_STATELESS = re.compile(
    r"utf-8|ascii|utf-16|utf-16-[lb]e|iso8859-\d+|cp\d+|koi8-[rtu]|mac-\w+|shift_jis\w*|gb2312|gbk|gb18030|"
    r"big5\w*|euc_\w+|johab|ptcp154|hp-roman8|tis-620"
)
_BOMS: Final = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def encoding_name(name: str) -> str:
    """The normal name of an encoding that can be read line by line. Raises ValueError saying what is allowed."""
    try:
        normal = codecs.lookup(name).name
    except LookupError:
        raise ValueError(f"{name!r} is no known encoding; utf-8, utf-16, cp1252, cp932 ... are") from None
    if not _STATELESS.fullmatch(normal) or (not normal.startswith("utf-16") and "\n".encode(normal) != b"\n"):
        raise ValueError(
            f"{name!r} cannot be read line by line; use utf-8 (a byte order mark is understood), utf-16,"
            " utf-16-le, utf-16-be, or a code page such as cp1252"
        )
    return normal


def last_line(content: bytes, encoding: str, line_end: str = "\n") -> bytes:
    """The bytes behind the last line end; none where the content ends with one."""
    if encoding == "utf-16":
        encoding = "utf-16-be" if content.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"
    terminator, unit = line_end.encode(encoding), 2 if encoding.startswith("utf-16") else 1
    at = content.rfind(terminator)
    while at >= 0 and at % unit:
        at = content.rfind(terminator, 0, at + len(terminator) - 1)
    return content[at + len(terminator) :] if at >= 0 else content


class Line(NamedTuple):
    """One line: its text without line end, and its exact bytes with it."""

    text: str
    position: int
    number: int
    raw: bytes
    terminated: bool

    @property
    def end(self) -> int:
        """Offset after the line end."""
        return self.position + len(self.raw)


class Lines:
    """The incremental splitter. `limit`: bytes a line may have."""

    def __init__(self, encoding: str, line_end: str = "\n", limit: int = 4 * 2**20) -> None:
        self._encoding = encoding
        self._line_end = line_end
        self._limit = limit
        self._unit = 2 if encoding.startswith("utf-16") else 1
        self._utf = encoding.startswith("utf")
        self._start: bytes | None = (
            b""  # the first bytes, until it is known whether a byte order mark is there
        )
        self.terminator = b"" if encoding == "utf-16" else line_end.encode(encoding)
        self._missing_mark = False
        self._waiting: list[tuple[bytes, str | None]] = []  # whole lines and their texts, last first
        self._tail = bytearray()
        self._searched = 0
        self._over: _Oversize | None = None
        self._position = 0
        self._number = 1
        self._ended = False
        self.marks_inside = 0
        """Byte order marks met inside the content, where files were joined; they are dropped."""

    def receive_data(self, data: bytes) -> None:
        """Take more bytes; b"" ends the content."""
        if not data:
            self._ended = True
        if self._start is not None:
            self._start += data
            if len(self._start) < 4 and not self._ended:
                return
            data, self._start = self._start, None
            if self._encoding == "utf-16":
                self._choose_byte_order(data)
        if data:
            self._split(data)

    def next_line(self) -> Line | Refused | Signal:
        """The next line, or a refused one, in order."""
        if self._over is not None and self._over.complete:
            return self._refuse_oversize()  # it began when nothing waited: it comes first
        if self._waiting:
            return self._line(*self._waiting.pop(), terminated=True)
        if not self._ended:
            return NEED_DATA
        if self._over is not None:
            return self._refuse_oversize()
        if self._tail:
            raw = bytes(self._tail)
            self._tail.clear()
            return self._line(raw, None, terminated=False)
        return END

    def next_plain(self) -> tuple[str, int, int, bytes, bool] | None:
        """What the next line is made of, where there is one with nothing to tell about it; else ask `next_line`."""
        waiting = self._waiting
        if len(waiting) < 2 or self._over is not None:
            return None
        raw, text = waiting[-1]
        size = len(raw)
        if text is None or size > self._limit:
            return None
        waiting.pop()
        position, number = self._position, self._number
        self._position = position + size
        self._number = number + 1
        return text, position, number, raw, True

    @property
    def held_bytes(self) -> int:
        """Bytes in memory that are not yet a line."""
        return len(self._tail) + (len(self._over.kept) if self._over is not None else 0)

    def text_of(self, line: Line) -> str:
        """The text of a line together with its line end as it stands in the content."""
        text = line.raw.decode(self._encoding)
        return text.lstrip("\ufeff") if self._utf else text

    def _choose_byte_order(self, data: bytes) -> None:
        # Without a mark RFC 2781 says big-endian; machines that leave it out write little-endian, so a file
        # without one is refused line by line until the mapping states the order.
        self._encoding = "utf-16-be" if data.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"
        self._missing_mark = not data.startswith((codecs.BOM_UTF16_BE, codecs.BOM_UTF16_LE))
        self.terminator = self._line_end.encode(self._encoding)

    def _split(self, data: bytes) -> None:
        if self._over is not None and not self._over.complete:
            data = self._over.take(data, self.terminator, self._unit)
            if not self._over.complete:
                return
        if self._unit == 1:
            self._split_bytes(data)
        else:
            self._split_units(data)

    def _split_bytes(self, data: bytes) -> None:
        terminator = self.terminator
        width = len(terminator)
        if width > 1:
            self._tail += data
            data = bytes(self._tail)
            self._tail.clear()
        elif self._tail:
            cut = data.find(terminator)
            if cut < 0:
                self._tail += data
                self._check_tail()
                return
            self._tail += data[: cut + width]
            whole = bytes(self._tail)
            self._tail.clear()
            pieces = [whole, *self._pieces(data[cut + width :])]
            self._keep(pieces)
            return
        self._keep(self._pieces(data))

    def _pieces(self, data: bytes) -> list[bytes]:
        terminator = self.terminator
        pieces = data.split(terminator)
        self._tail += pieces.pop()
        return [piece + terminator for piece in pieces]

    def _split_units(self, data: bytes) -> None:
        self._tail += data
        tail, terminator = self._tail, self.terminator
        pieces: list[bytes] = []
        start, at = 0, self._searched
        while (at := tail.find(terminator, at)) >= 0:
            if at % self._unit:
                at += 1
                continue
            at += len(terminator)
            pieces.append(bytes(tail[start:at]))
            start = at
        del tail[:start]
        searched = max(0, len(tail) - len(terminator))
        self._searched = searched - searched % self._unit
        self._keep(pieces)

    def _keep(self, pieces: list[bytes]) -> None:
        lines = list(zip(pieces, self._texts(pieces), strict=True))
        lines.reverse()
        self._waiting = [*lines, *self._waiting] if self._waiting else lines
        self._check_tail()

    def _texts(self, pieces: list[bytes]) -> Sequence[str | None]:
        """The clean texts of whole lines, made at once: a call for each costs more than its bytes do.

        None each where one of them needs a closer look: then each is made for itself.
        """
        unknown = [None] * len(pieces)
        try:
            text = b"".join(pieces).decode(self._encoding)
        except UnicodeDecodeError:
            return unknown
        if "\x00" in text or self._missing_mark or (self._utf and "\ufeff" in text):
            return unknown  # something is to be told about one of them
        if self._line_end == "\n":
            text = text.replace("\r\n", "\n")
        texts = text.split(self._line_end)
        texts.pop()
        return texts if len(texts) == len(pieces) else unknown

    def _check_tail(self) -> None:
        if len(self._tail) > self._limit and not self._waiting and self._over is None:
            self._over = _Oversize(self._tail)
            self._tail = bytearray()
            self._searched = 0

    def _line(self, raw: bytes, text: str | None, terminated: bool) -> Line | Refused:
        position, number = self._position, self._number
        self._position += len(raw)
        self._number += 1
        if not self._waiting:
            self._check_tail()
        if len(raw) > self._limit:
            return self._too_long(position, number, raw[:KEPT_OF_OVERSIZE], len(raw), digest_of(raw))
        if self._missing_mark:
            return Refused(
                position, position + len(raw), number, code="encoding", raw=raw,
                reason="the content is said to be utf-16 but begins without a byte order mark;"
                " state utf-16-le or utf-16-be",
            )  # fmt: skip
        if text is not None:
            return Line(text, position, number, raw, terminated)
        try:
            text = raw.decode(self._encoding)
        except UnicodeDecodeError as error:
            return self._undecodable(position, number, raw, error)
        if terminated:
            text = text[: -len(self._line_end)]
        if self._line_end == "\n" and text.endswith("\r"):
            text = text[:-1]
        if "\x00" in text:
            at = text.index("\x00")
            return Refused(
                position, position + len(raw), number, code="nul", raw=raw,
                reason="holds NUL characters: the file is still being written over a share, is damaged, or"
                " has another encoding than stated",
                place=f"line {number}, character {at + 1}", value=repr(text[max(0, at - 20) : at + 20]),
            )  # fmt: skip
        if self._utf and text.startswith("\ufeff"):
            self.marks_inside += position > 0
            text = text.lstrip("\ufeff")
        return Line(text, position, number, raw, terminated)

    def _undecodable(self, position: int, number: int, raw: bytes, error: UnicodeDecodeError) -> Refused:
        hint = next(
            (f"; the line begins with the byte order mark of {name}" for mark, name in _BOMS
             if raw.startswith(mark) and not self._encoding.startswith(name)),
            "",
        )  # fmt: skip
        found = raw[max(0, error.start - 10) : error.end + 10]
        return Refused(
            position, position + len(raw), number, code="encoding", raw=raw,
            reason=f"is not {self._encoding}: {error.reason}{hint}",
            place=f"line {number}, byte {error.start + 1} of the line", value=repr(found),
        )  # fmt: skip

    def _refuse_oversize(self) -> Refused:
        over = self._over
        assert over is not None
        self._over = None
        if not self._waiting:
            self._check_tail()
        position, number = self._position, self._number
        self._position += over.size
        self._number += 1
        return self._too_long(position, number, over.kept, over.size, over.hash.hexdigest())

    def _too_long(self, position: int, number: int, kept: bytes, size: int, digest: str) -> Refused:
        return Refused(
            position, position + size, number, code="oversize", raw=kept[:KEPT_OF_OVERSIZE], size=size,
            digest=digest, reason=f"a line of {size} bytes; at most {self._limit} are taken as one record",
            value=repr(kept[:40]),
        )  # fmt: skip


class _Oversize:
    """A line that is too long: hashed and counted up to its end, not kept."""

    def __init__(self, beginning: bytearray) -> None:
        self.kept = bytes(beginning[:KEPT_OF_OVERSIZE])
        self.size = len(beginning)
        self.hash = hashlib.sha256(beginning)
        self.complete = False
        self._last = bytes(beginning[-8:])

    def take(self, data: bytes, terminator: bytes, unit: int) -> bytes:
        """Take data up to the line end; returns what lies behind it."""
        width = len(terminator)
        seam = self._last[-(width - 1) :] if width > 1 else b""
        joined = seam + data
        offset = self.size - len(seam)
        at = joined.find(terminator)
        while at >= 0 and (offset + at) % unit:
            at = joined.find(terminator, at + 1)
        cut = len(data) if at < 0 else at + width - len(seam)
        self.hash.update(data[:cut])
        self.kept += data[: min(cut, KEPT_OF_OVERSIZE - len(self.kept))]
        self.size += cut
        self._last = (self._last + data[:cut])[-8:]
        self.complete = at >= 0
        return data[cut:]
